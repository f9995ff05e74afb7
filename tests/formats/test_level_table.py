"""Tables of levels: what their titles say, in every way that one law of distortion can be written.

The law: a static polynomial's harmonics, whose share of the fundamental grows with the drive to the power of the order
less one (handbook of nonlinear systems); what must be read is computed from it here.
"""

from __future__ import annotations

import numpy as np
import pytest

from earwitness.errors import FormatError
from earwitness.formats.level_table import LevelTable, holds_levels, levels_of
from earwitness.formats.table import parse_table

HZ = np.geomspace(20.0, 10_000.0, 40)
VOLTS = (2.83, 8.0)
LEVEL = 86.0 - 10 * np.log10(1 + (60.0 / HZ) ** 4)


def share(order: int, volts: float) -> np.ndarray:
    return np.asarray(1e-3 * (volts / 2.83) ** (order - 1) * (1 + (100.0 / HZ) ** 2))


def read(text: str, **answers: str) -> LevelTable:
    table = parse_table(text, name="d.txt")
    assert holds_levels(table, named=False)
    return levels_of(table, answers=answers)


def written(titles: list[str], columns: list[np.ndarray], separator: str = "\t") -> str:
    rows = zip(HZ, *columns, strict=True)
    return "\n".join([separator.join(titles), *(separator.join(f"{v:.7g}" for v in row) for row in rows)])


@pytest.mark.parametrize(
    ("unit", "of"),
    [
        ("%", lambda s: 100 * s),
        ("ratio", lambda s: s),
        ("dB relative", lambda s: 20 * np.log10(s)),
        ("dB SPL", lambda s: LEVEL + 20 * np.log10(s)),
    ],
)
@pytest.mark.parametrize("name", ["HD{}", "H{}", "K{}", "{}nd harmonic", "harmonic {}"])
def test_a_harmonic_is_known_by_name_unit_and_voltage(unit, of, name) -> None:
    titles = ["Hz", *(f"{name.format(2)} {volts:g} V [{unit}]" for volts in VOLTS)]
    found = read(written(titles, [of(share(2, volts)) for volts in VOLTS]))
    assert found.questions == ()
    assert found.has_drives
    for column, volts in zip(found.columns, VOLTS, strict=True):
        assert (column.role, column.order, column.unit, column.drive_v) == ("distortion", 2, unit, volts)
        assert column.values == pytest.approx(of(share(2, volts)), rel=1e-5)


def test_a_column_of_volts_parts_the_rows() -> None:
    rows = [f"{v:g};{f:.6f};{100 * h:.6f}" for v in VOLTS for f, h in zip(HZ, share(3, v), strict=True)]
    found = read("\n".join(["Voltage [V];Hz;HD3 %", *rows]))
    assert [column.drive_v for column in found.columns] == list(VOLTS)
    assert found.columns[1].values == pytest.approx(100 * share(3, 8.0), abs=1e-6)


def test_sound_pressure_levels_name_a_drive_and_totals_have_no_order() -> None:
    found = read(written(["Hz", "THD at 90 dB [%]", "THD @ 96 dB SPL (%)"], [HZ * 0 + 0.5, HZ * 0 + 1.0]))
    assert [(one.at_db, one.order, one.unit) for one in found.columns] == [(90.0, 0, "%"), (96.0, 0, "%")]
    assert found.columns[0].hz[0] == pytest.approx(20.0)


@pytest.mark.parametrize(
    ("titles", "key", "first"),
    [(["Hz", "HD2"], "unit", "dB relative"), (["Hz", "THD dB"], "unit", "dB relative"), (["Hz", "THD"], "unit", "%")],
)
def test_a_unit_that_is_not_told_is_asked_and_never_chosen(titles, key, first) -> None:
    values = HZ * 0 + (-40.0 if first != "%" else 0.4)
    found = read(written(titles, [values]))
    assert [(one.key, one.options[0]) for one in found.questions] == [(key, first)]
    assert read(written(titles, [values]), unit="ratio").questions == ()
    assert not found.has_drives


def test_levels_of_several_voltages_are_no_response_and_one_voltage_is() -> None:
    several = written(["Hz", "2.83 V dB SPL", "8 V dB SPL"], [LEVEL, LEVEL + 9])
    assert holds_levels(parse_table(several, name="x"), named=True)
    one = written(["Hz", "dB SPL (2.83 V, 1 m)"], [LEVEL])
    assert not holds_levels(parse_table(one, name="x"), named=False)
    beside = parse_table(written(["Hz", "dB SPL", "THD %"], [LEVEL, HZ * 0 + 1]), name="x")
    assert holds_levels(beside, named=False)
    assert not holds_levels(beside, named=True)


def test_what_is_no_table_of_levels_is_refused() -> None:
    with pytest.raises(FormatError, match="several tables"):
        levels_of(parse_table("Hz\tHD2 %\n20\t1\n30\t1\n40\t1\nHz\tHD2 %\n20\t1\n30\t1\n40\t1\n", name="x"))
    with pytest.raises(FormatError, match="no column is known"):
        levels_of(parse_table("Hz\tohm\n20\t1\n30\t1\n40\t1\n", name="x"))
