"""SOFA files with every kind of odd inside: sizes that are not there, types that do not fit, numbers that are none."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import netCDF4
import numpy as np

Change = Callable[[netCDF4.Dataset], None]


def plain(path: Path, *, kind: str = "TF", changes: dict[str, object] | None = None, directions: int = 6) -> None:
    """A small file as another program would write it. changes : variable or attribute by name, None leaves it out;
    a callable writes the variable itself."""
    changes = changes or {}
    bins, rate = 5, 48_000.0
    angle = np.deg2rad(360.0 * np.arange(directions) / directions)
    around = np.stack([np.cos(angle), np.sin(angle), 0.1 * np.ones(directions)], axis=1)
    noise = np.random.default_rng(3).standard_normal((1, directions, bins))
    with netCDF4.Dataset(path, "w", format="NETCDF4") as file:
        for name, size in (("M", 1), ("R", directions), ("N", bins), ("C", 3), ("I", 1), ("E", 1), ("D", directions)):
            file.createDimension(name, size)
        attributes = {"Conventions": "SOFA", "Version": "2.1", "RoomType": "free field", "Title": "invented"}
        if kind == "TF":
            attributes |= {
                "SOFAConventions": "FreeFieldDirectivityTF",
                "SOFAConventionsVersion": "1.1",
                "DataType": "TF",
            }
            values: dict[str, tuple[tuple[str, ...], object, dict[str, str]]] = {
                "N": (
                    ("N",),
                    np.array([20.0, 100.0, 1000.0, 5000.0, 20000.0]),
                    {"Units": "hertz", "LongName": "frequency"},
                ),
                "Data.Real": (("M", "R", "N"), noise, {}),
                "Data.Imag": (("M", "R", "N"), noise[..., ::-1], {}),
                "ReceiverPosition": (("R", "C", "I"), around[..., np.newaxis], _CARTESIAN),
                "SourcePosition": (("I", "C"), np.zeros((1, 3)), _CARTESIAN),
                "SourceView": (("I", "C"), np.array([[1.0, 0, 0]]), _CARTESIAN),
                "SourceUp": (("I", "C"), np.array([[0, 0, 1.0]]), {}),
            }
        else:
            attributes |= {"SOFAConventions": "GeneralFIR", "SOFAConventionsVersion": "1.0", "DataType": "FIR"}
            values = {
                "Data.IR": (("D", "E", "N"), noise.reshape(directions, 1, bins), {}),
                "Data.SamplingRate": (("I",), np.array([rate]), {"Units": "hertz"}),
                "Data.Delay": (("I", "E"), np.zeros((1, 1)), {}),
                "SourcePosition": (("D", "C"), around, _CARTESIAN),
                "ReceiverPosition": (("E", "C", "I"), np.zeros((1, 3, 1)), _CARTESIAN),
            }
        values |= {
            "ListenerPosition": (("I", "C"), np.zeros((1, 3)), _CARTESIAN),
            "ListenerView": (("I", "C"), np.array([[1.0, 0, 0]]), _CARTESIAN),
            "ListenerUp": (("I", "C"), np.array([[0, 0, 1.0]]), {}),
        }
        for name, text in (attributes | {k: v for k, v in changes.items() if k in attributes}).items():
            if text is not None:
                file.setncattr(name, text)
        for name, (dimensions, value, words) in values.items():
            if name in changes and changes[name] is None:
                continue
            changed = changes.get(name)
            if callable(changed):
                changed(file)
                continue
            given = np.asarray(value if changed is None else changed)
            if given.shape != np.shape(value):
                dimensions = tuple(_dimension(file, size) for size in given.shape)
            made = file.createVariable(name, given.dtype if given.dtype.kind != "U" else str, dimensions)
            made[...] = given if given.dtype.kind != "U" else given.astype(object)
            made.setncatts(words)
        for name, changed in changes.items():
            if name.startswith("+") and callable(changed):
                changed(file)


_CARTESIAN = {"Type": "cartesian", "Units": "metre"}


def _dimension(file: netCDF4.Dataset, size: int) -> str:
    name = f"Z{size}"
    if name not in file.dimensions:
        file.createDimension(name, size)
    return name


def _huge(name: str, *sizes: int, kind: str = "f8", packed: bool = False) -> Change:
    """A variable whose header promises much. Nothing stands behind it: a reader gets as many zeros as it asks for."""

    def make(file: netCDF4.Dataset) -> None:
        dimensions = [_dimension(file, size) for size in sizes]
        chunks = tuple(min(size, 2**20) for size in sizes) if packed else None
        file.createVariable(name, kind, dimensions, zlib=packed, chunksizes=chunks, fill_value=False)

    return make


def _lists(name: str) -> Change:
    def make(file: netCDF4.Dataset) -> None:
        kind = file.createVLType(np.float64, f"list {name}")
        made = file.createVariable(name, kind, (_dimension(file, 2),))
        made[0], made[1] = np.zeros(3), np.zeros(1000)

    return make


def _pairs(name: str) -> Change:
    def make(file: netCDF4.Dataset) -> None:
        kind = file.createCompoundType(np.dtype([("a", "f8"), ("b", "i4")]), f"pair {name}")
        file.createVariable(name, kind, (_dimension(file, 3),))

    return make


def _choices(name: str) -> Change:
    def make(file: netCDF4.Dataset) -> None:
        kind = file.createEnumType(np.uint8, f"choice {name}", {"yes": 1, "no": 0})
        file.createVariable(name, kind, (_dimension(file, 3),), fill_value=0)

    return make


def _endless(name: str) -> Change:
    def make(file: netCDF4.Dataset) -> None:
        file.createDimension("U", None)
        file.createVariable(name, "f8", ("U",))

    return make


def _deep(file: netCDF4.Dataset) -> None:
    group = file
    for _ in range(60):
        group = group.createGroup("g")
        group.createVariable("v", "f8", ())


def _wide(file: netCDF4.Dataset) -> None:
    for number in range(300):
        file.createVariable(f"v{number}", "f8", ())
        file.setncattr(f"a{number}", "x" * 100)


def _names(file: netCDF4.Dataset) -> None:
    for name in ("__class__", "protected", "_convention", "verify", "list_dimensions", "copy", "Data", "GLOBAL_Title"):
        file.createVariable(name, "f8", ())
        file.setncattr(f"x{name}", 1.0)


def odd_files(folder: Path) -> list[bytes]:
    """Bytes of sound files and of files each with one oddity; made in `folder`, the same each time but for times."""
    nan = np.array([[[np.nan]]])
    changes: list[tuple[str, dict[str, object]]] = [("TF", {}), ("FIR", {}), ("TF", {}), ("FIR", {})]
    for kind, names in (("TF", _TF), ("FIR", _FIR)):
        for name in names:
            changes += [
                (kind, {name: value}) for value in (None, np.array("text"), np.zeros(0), nan, np.full((1, 3), 1e308))
            ]
            changes += [(kind, {name: np.zeros((2, 3), dtype=code)}) for code in ("i1", "u8", "f4")]
            changes += [(kind, {name: make(name)}) for make in (_lists, _pairs, _choices, _endless)]
            changes += [(kind, {name: _huge(name, 2**40)}), (kind, {name: _huge(name, 2**31, 2**31, 2**10)})]
    for attribute in ("SOFAConventions", "DataType", "Conventions", "SOFAConventionsVersion", "Version"):
        changes += [
            (k, {attribute: v}) for k in ("TF", "FIR") for v in (None, "", "other", 5, np.zeros(4), "x" * 70_000)
        ]
    changes += [
        (k, {"+more": make}) for k in ("TF", "FIR") for make in (_deep, _wide, _names, _lists("odd"), _pairs("odd"))
    ]
    changes += [("TF", {"+more": _huge("odd", 2**62)}), ("TF", {"+more": _huge("odd", 2**40, kind="S1")})]
    changes += [("TF", {"+more": _huge("EarwitnessValid", 3)}), ("FIR", {"SOFAConventions": "SimpleFreeFieldTF"})]
    changes += [("FIR", {"Data.SamplingRate": np.array([v])}) for v in (0.0, -1.0, 1e308, np.inf, 5e-324)]
    changes += [
        ("TF", {"N": np.array(v)}) for v in ([5.0, 4, 3, 2, 1], [1.0, 1, 1, 1, 1], [-1.0, 0, 1, 2, 3], [0.0] * 5)
    ]
    found = []
    for number, (kind, change) in enumerate(changes):
        path = folder / f"odd-{number}.sofa"
        try:
            plain(path, kind=kind, changes=change)
        except (RuntimeError, OSError, ValueError, TypeError, OverflowError, AttributeError, IndexError):
            # The library itself refuses to write some of this.
            path.unlink(missing_ok=True)
            continue
        found.append(path.read_bytes())
        path.unlink()
    return found


def bombs(folder: Path) -> list[bytes]:
    """Files that are small and unpack to much: 2 GiB, and just below what a header may promise."""
    found = []
    for bins in (2**17, 2**13 - 2**10):
        path = folder / "bomb.sofa"
        data = {name: _huge(name, 1, 1024, bins, packed=True) for name in ("Data.Real", "Data.Imag")}
        plain(path, changes={**data, "N": np.arange(1.0, bins + 1.0)}, directions=1024)
        found.append(path.read_bytes())
        path.unlink()
    return found


_TF = ("N", "Data.Real", "Data.Imag", "ReceiverPosition", "SourcePosition", "SourceView", "ListenerUp", "ListenerView")
_FIR = ("Data.IR", "Data.SamplingRate", "Data.Delay", "SourcePosition", "ReceiverPosition", "ListenerPosition")
