"""Render what the data sound like: versions of one sound, as files at one loudness."""

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from earwitness.app.jobs import Progress, part, silent
from earwitness.app.listen import findings_of
from earwitness.app.mend import equalizer_of, mend_loudspeaker
from earwitness.app.read import ReadResult, read_loudspeaker
from earwitness.audition.filters import on_bins
from earwitness.audition.render import MATERIAL, Sound, Version, distorted, flat, material, prepared, sound_of, through
from earwitness.audition.room import Head, MeasuredHead, Shoebox, SphereHead, pair_response, radiated, with_level
from earwitness.errors import InputError, cannot_write, choice
from earwitness.exhibits.record import record
from earwitness.figures.read import levels_of
from earwitness.files.data import worded
from earwitness.formats.audio import open_audio, write_audio_pieces
from earwitness.formats.sofa import read_head_sofa
from earwitness.insight.findings import Finding
from earwitness.insight.findings.narrow import hidden_db, without_gate
from earwitness.insight.mend.aim import aim_study, aim_words
from earwitness.insight.mend.equalizer import Band, Equalizer, gain_db
from earwitness.quantities import Curve, FloatArray
from earwitness.render.columns import hanging

CURVES = {"window": "listening_window", "axis": "on_axis", "in-room": "in_room"}
RATE_HZ = 48_000
OwnBand = tuple[str, float, float, float]
"""Kind, center [Hz], gain [dB], Q."""
MOST_AIM_DEG = 90
FORMS = worded("app.forms")
LEVEL_APART_DB = 2.0
_DISTORTED = re.compile(r"distorted(\d{2,3})?$")
_ORDER = re.compile(r"distortion_(\d)@(.+)$")
_FORM = re.compile(r"(aim|only|without|doubled)([+-]?\d+)$")
CAUTIONS = (worded("app.caution_loudness"),)
LIMITS = (worded("app.limit_gear"), worded("app.limit_linear"), worded("app.limit_band"))
ROOM_LIMITS = (worded("app.limit_room"), worded("app.limit_head"))


@dataclass(frozen=True, slots=True)
class RenderedFile:
    """One file. gain_db : on the version's filter; loudness_lufs, true_peak_db : of the file; bounded_hz : where the
    response was measured."""

    path: Path
    key: str
    words: str
    gain_db: float
    loudness_lufs: float
    true_peak_db: float
    bounded_hz: tuple[float, float]


def versions_for(
    result: ReadResult,
    archive_folder: Path,
    forms: Sequence[str] = (),
    *,
    curve: str = "window",
    bands: Sequence[OwnBand] = (),
) -> tuple[Version, ...]:
    """The versions of those forms (see FORMS), of the curve "window", "axis" or "in-room"; without forms the usual
    ones: flat, as-is, equalized if an equalizer pays, and without and doubled for the most audible finding that has a
    shape. bands : of the form "own", which stands beside the usual ones where there are any.

    Raises InputError for other words, findings that are not there, an equalizer that is not advised, a curve that is
    not known, data that do not hold what is asked for.
    """
    key = CURVES[choice("the curve", curve, CURVES)]
    one = result.reading.curves.get(key)
    if one is None:
        raise InputError(f"the {curve} curve is not known", remedy="choose another with --curve")
    seen = through(one, "as-is", f"through {result.session.loudspeaker.title}, {one.name}")
    findings = findings_of(result, archive_folder)
    # What a short gate hides of a resonance is heard all the same.
    asis = seen.with_change(seen.key, seen.words, hidden_db(findings, seen.hz))
    own = equalizer_of(bands) if bands else None
    made = tuple(_version(form, result, findings, asis=asis, curve=curve, own=own) for form in dict.fromkeys(forms))
    if not made:
        made = _usual(result, findings, asis, curve)
    return (*made, _equalized(asis, "own", own)) if own is not None and "own" not in forms else made


_ROOM = re.compile(r"\s*(\d+(?:\.\d+)?)\s*x\s*(\d+(?:\.\d+)?)\s*x\s*(\d+(?:\.\d+)?)\s*$")


@dataclass(frozen=True, slots=True)
class Ears:
    """A pair of loudspeakers in a room, heard through headphones. head_set : a SOFA file, None for a rigid sphere."""

    room: Shoebox
    head_set: Path | None = None

    def said(self) -> dict[str, str | float | None]:
        """What `ears_in` makes them from again."""
        room = self.room
        return {
            "size": f"{room.length_m!r}x{room.width_m!r}x{room.height_m!r}", "reverberation_s": room.reverberation_s,
            "seat_m": room.seat_m, "head_set": None if self.head_set is None else str(self.head_set.resolve()),
        }  # fmt: skip

    def head(self) -> Head:
        """FormatError for a file that holds no head set."""
        return SphereHead() if self.head_set is None else MeasuredHead(read_head_sofa(self.head_set))


def ears_in(
    size: str | None, *, reverberation_s: float | None, seat_m: float | None, head_set: str | Path | None
) -> Ears | None:
    """Ears in a room of a size like "6x4x2.5" (length, width, height in m); None for no room.

    Raises InputError for a size that cannot be read, a room that cannot be, or other facts without a size.
    """
    facts = {"reverberation_s": reverberation_s, "seat_m": seat_m}
    said = {key: value for key, value in facts.items() if value is not None}
    if size is None:
        if said or head_set is not None:
            raise InputError("there is no room", expected="its size as well", remedy="say --room 6x4x2.5")
        return None
    sides = _ROOM.match(size)
    if sides is None:
        raise InputError(f"a room of {size[:40]!r}", expected="length x width x height in m, as 6x4x2.5")
    length_m, width_m, height_m = (float(side) for side in sides.groups())
    return Ears(
        Shoebox(length_m=length_m, width_m=width_m, height_m=height_m, **said), Path(head_set) if head_set else None
    )


def in_room(
    versions: Sequence[Version], result: ReadResult, archive_folder: Path, ears: Ears, rate_hz: int
) -> tuple[Version, ...]:
    """Versions of a loudspeaker's listening window as a pair of them is heard in a room; an aim turns the pair.

    "flat" is the same loudspeaker with a flat listening window. InputError where it is not known how it radiates to
    all sides.
    """
    findings = findings_of(result, archive_folder)
    levels = without_gate(levels_of(result.measurement.response), findings)
    power = result.reading.curves.get("sound_power")
    known = radiated(levels, power, symmetric=result.session.loudspeaker.symmetric)
    ahead = result.reading.curves.get("on_axis")
    if ahead is None:
        raise InputError("the on-axis response is not known", remedy="render without a room")
    axis = through(ahead, "axis", "")
    (asis,) = versions_for(result, archive_folder, ("as-is",))
    hidden = hidden_db(findings, axis.hz)
    pairs: dict[float, FloatArray] = {}
    head, made = ears.head(), []
    for one in versions:
        aimed = _FORM.match(one.key)
        aim_deg = float(aimed[2]) if aimed is not None and aimed[1] == "aim" else 0.0
        if aim_deg not in pairs:
            pairs[aim_deg] = pair_response(known, ears.room, head, rate_hz, aim_deg)
        change = np.zeros(axis.hz.size)
        if not aim_deg:
            change = on_bins(axis.hz, one.hz, one.level_db) - on_bins(axis.hz, asis.hz, asis.level_db)
        taps = with_level(pairs[aim_deg], axis.hz, axis.level_db + hidden + change, rate_hz)
        words = "through the loudspeaker with its listening window made flat" if one.key == "flat" else one.words
        made.append(replace(one, words="; ".join((words, "a pair in a room", *known.notes)), to_ears=taps))
    return tuple(made)


def _usual(result: ReadResult, findings: Sequence[Finding], asis: Version, curve: str) -> tuple[Version, ...]:
    made = [flat(asis.hz), asis]
    if mend_loudspeaker(result, findings).design is not None:
        made.append(_version("equalized", result, findings, asis, curve))
    shaped = next((one.key for one in findings if one.q is not None and one.size_in(CURVES[curve]) is not None), None)
    forms = () if shaped is None else (f"without{shaped}", f"doubled{shaped}")
    return (*made, *(_version(form, result, findings, asis, curve) for form in forms))


def _equalized(asis: Version, key: str, equalizer: Equalizer) -> Version:
    whose = "the advised equalizer of" if key == "equalized" else "an equalizer set by hand, of"
    count = len(equalizer.bands)
    words = f"the same with {whose} {count} band{'s' if count != 1 else ''}"
    return asis.with_change(key, words, gain_db(equalizer, asis.hz))


def _with_phase(result: ReadResult, asis: Version) -> Version:
    response = result.measurement.response
    row = response.directions.on_axis_row()
    known = response.valid[row] & (np.abs(response.pressure[row]) > 0.0)
    if response.phase == "none" or np.count_nonzero(known) < 2:
        raise InputError("the phase on axis is not known", remedy="leave the version phase out")
    phase = np.unwrap(np.angle(response.pressure[row][known]))
    at = np.interp(asis.hz, response.axis.hz[known], phase)
    return replace(asis, key="phase", words=f"{asis.words}, with its measured phase", phase_rad=at)


def _distorted(form: str, level_db: float | None, result: ReadResult, asis: Version) -> Version:
    curves = result.reading.curves
    found: dict[str, dict[int, Curve]] = {}
    for key, curve in curves.items():
        if read := _ORDER.match(key):
            found.setdefault(read[2], {})[int(read[1])] = curve
    levels = {key: _mean_level_db(curves[f"fundamental@{key}"]) for key in found}
    if not found:
        raise InputError("no distortion was measured", remedy="leave this version out, or measure levels")
    loudest = max(levels, key=lambda key: levels[key])
    chosen = loudest if level_db is None else min(levels, key=lambda key: abs(levels[key] - level_db))
    if level_db is not None and not (
        result.measurement.response.absolute and abs(levels[chosen] - level_db) <= LEVEL_APART_DB
    ):
        known = ", ".join(f"{one:.0f}" for one in sorted(levels.values()))
        told = f"one of {known} dB" if result.measurement.response.absolute else "none: levels are not calibrated"
        raise InputError(f"distortion at {level_db:g} dB was not measured", expected=told, remedy="or say distorted")
    at = f" at {levels[chosen]:.0f} dB and 1 m" if result.measurement.response.absolute else ""
    drive = f"{float(chosen[:-1]):g} V{at}"
    words = f"{asis.words}, with the harmonics measured with {drive}, which the sound's highest peak stands for"
    return distorted(asis, dict(sorted(found[chosen].items())), form, words)


def _mean_level_db(curve: Curve) -> float:
    inside = curve.valid & (curve.axis.hz >= 300.0) & (curve.axis.hz <= 3000.0)
    return float(np.mean(curve.values[inside])) if inside.any() else -np.inf


def _version(
    form: str, result: ReadResult, findings: Sequence[Finding], asis: Version, curve: str, own: Equalizer | None = None
) -> Version:
    title = result.session.loudspeaker.title
    if form == "flat":
        return flat(asis.hz)
    if form == "as-is":
        return asis
    if form == "equalized":
        advised = mend_loudspeaker(result, findings).design
        if advised is None:
            raise InputError.of("app.no_equalizer", title=title)
        return _equalized(asis, form, advised.equalizer)
    if form == "own":
        if own is None:
            raise InputError("there are no bands of your own", remedy="say them with --band")
        return _equalized(asis, form, own)
    if (form == "phase" or form.startswith("distorted")) and curve != "axis":
        raise InputError(f"the version {form} is that of the axis", remedy="say --curve axis")
    if form == "phase":
        return _with_phase(result, asis)
    if level := _DISTORTED.match(form):
        return _distorted(form, float(level[1]) if level[1] else None, result, asis)
    read = _FORM.match(form)
    if read is None:
        raise InputError(f"there is no version {form[:40]!r}", expected=FORMS, remedy="check the spelling")
    if read[1] == "aim":
        return _aimed(float(read[2]), form, result, findings, CURVES[curve])
    return _of_finding(read[1], int(read[2]), findings, asis, curve)


def _aimed(angle_deg: float, form: str, result: ReadResult, findings: Sequence[Finding], key: str) -> Version:
    if abs(angle_deg) > MOST_AIM_DEG:
        raise InputError(f"an aim of {angle_deg:g} degrees", expected=f"-{MOST_AIM_DEG} to {MOST_AIM_DEG}")
    levels = without_gate(levels_of(result.measurement.response), findings)
    symmetric = result.session.loudspeaker.symmetric
    study = aim_study(levels, aims_deg=(angle_deg,), symmetric=symmetric)
    found = next((one for one in study.aims if one.angle_deg == angle_deg), None)
    curves: dict[str, Curve | None] = {} if found is None else {
        "on_axis": found.direct, "listening_window": found.window, "in_room": found.in_room,
    }  # fmt: skip
    curve = curves.get(key)
    if curve is None:
        what = f"no curve {aim_words('horizontal', angle_deg)}: {'; '.join(study.missing)}"
        raise InputError(what, remedy="choose an angle that was measured on the horizontal orbit")
    return through(curve, form, f"the same, heard {aim_words('horizontal', angle_deg)}")


def finding_shape(one: Finding, curve: str, hz: FloatArray) -> tuple[float, float, FloatArray]:
    """Center [Hz], Q and level (F,) at hz of a finding as it stands in the curve. InputError where it has no shape, or
    none beyond its uncertainty."""
    size_db = one.size_in(CURVES[curve])
    if one.q is None or size_db is None:
        why = "has no shape that a filter could be given" if one.q is None else "is not certain in this curve"
        raise InputError(f"finding {one.key} {why}", remedy="choose another finding, or another curve with --curve")
    return one.center_hz, one.q, gain_db(Equalizer((Band("peaking", one.center_hz, size_db, one.q),)), hz)


def finding_of(number: int, findings: Sequence[Finding]) -> Finding:
    """The finding of that number. InputError where there is none."""
    found = next((one for one in findings if one.key == number), None)
    if found is None:
        known = ", ".join(str(one.key) for one in findings) or "none"
        raise InputError(f"there is no finding {number}", expected=f"one of {known}", remedy="see earwitness mend")
    return found


def _of_finding(what: str, number: int, findings: Sequence[Finding], asis: Version, curve: str) -> Version:
    center_hz, q, shape = finding_shape(finding_of(number, findings), curve, asis.hz)
    size_db = float(shape[np.argmax(np.abs(shape))])
    where = f"finding {number} ({size_db:+.1f} dB at {center_hz:.0f} Hz, Q {q:.1f})".replace("-", "\N{MINUS SIGN}")
    if what == "only":
        return flat(asis.hz).with_change(f"only{number}", f"the recording with {where} alone", shape)
    sign, told = (-1.0, "without") if what == "without" else (1.0, "with twice")
    return asis.with_change(f"{what}{number}", f"the loudspeaker {told} {where}", sign * shape)


def sound_for(chosen: str) -> Sound:
    """The sound of a word ("pink", "pluck", "drums", "speech") or of a WAV or FLAC file. AudioError for a file that
    cannot be read, InputError for a word that is neither."""
    if chosen in MATERIAL:
        return sound_of(material(chosen, RATE_HZ), RATE_HZ, loops=True)
    if not Path(chosen).suffix:
        choice("the material", chosen, (*MATERIAL, "a file"))
    file = open_audio(Path(chosen))
    return Sound(file.rate_hz, file.channels, file.frames, file.pieces)


def render(
    name: str,
    folder: Path,
    archive_folder: Path,
    *,
    forms: Sequence[str] = (),
    against: Sequence[str] = (),
    curve: str = "window",
    sound: str = "pink",
    match_loudness: bool = True,
    bands: Sequence[OwnBand] = (),
    ears: Ears | None = None,
    progress: Progress = silent,
) -> tuple[RenderedFile, ...]:
    """Write versions of a sound into `folder`, one WAV file each, with versions.json and a text that tells them apart.

    against : other loudspeakers, units or sessions, each as a version "as-is" of its own. This shows the data of all
    of them. ears : for headphones, a pair in a room. Raises InputError as `versions_for`, `in_room`, `sound_for` and
    `prepared`; OutputError where nothing can be written.
    """
    source = sound_for(sound)
    if ears is not None and (curve != "window" or source.channels > 2):
        remedy = "leave --curve out" if curve != "window" else "choose a sound of one or two channels"
        raise InputError.of("app.room_sound", remedy=remedy)
    result = read_loudspeaker(name, archive_folder, progress=part(progress, 0.0, 0.2))
    versions = list(versions_for(result, archive_folder, forms, curve=curve, bands=bands))
    if ears is not None:
        versions = list(in_room(versions, result, archive_folder, ears, source.rate_hz))
    for place, other in enumerate(against, 1):
        read = read_loudspeaker(other, archive_folder)
        (seen,) = versions_for(read, archive_folder, ("as-is",), curve=curve)
        if ears is not None:
            (seen,) = in_room((seen,), read, archive_folder, ears, source.rate_hz)
        versions.append(replace(seen, key=f"other{place}", words=f"{seen.words}, {read.session.date}"))
    heard = part(progress, 0.2, 0.6)
    made = prepared(versions, source, match_loudness=match_loudness, told=lambda share: heard(share, "loudness"))
    files = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise cannot_write("the sounds", folder, error) from None
    for place, one in enumerate(made, 1):
        path = folder / f"{place}-{one.version.key}.wav"
        write_audio_pieces(path, one.pieces(), source.rate_hz, one.channels)
        measured = record(one, "gain_db loudness_lufs true_peak_db")
        version = one.version
        files.append(
            RenderedFile(path=path, key=version.key, words=version.words, bounded_hz=version.bounded_hz, **measured)
        )
        progress(0.6 + 0.4 * place / len(made), f"write {path.name}")
    _tell(folder, files, sound, match_loudness=match_loudness, ears=ears)
    return tuple(files)


def rendered_lines(
    files: Sequence[RenderedFile], *, match_loudness: bool, ears: Ears | None = None, width: int | None = None
) -> list[str]:
    """What was written, for people. width : of the terminal, None for one line a statement."""
    how = "at one loudness (ITU-R BS.1770)" if match_loudness else "at one gain: loudness differs"
    lines = [f"{len(files)} versions {how}", *(() if ears is None else (_room_words(ears),))]
    for one in files:
        low, high = one.bounded_hz
        lines.append(f"  {one.path.name}: {one.words}")
        told = f"{one.loudness_lufs:.1f} LUFS, true peak {one.true_peak_db:.1f} dB"
        lines.append(f"    {told}, measured {low:.0f} Hz to {high:.0f} Hz".replace("-", "\N{MINUS SIGN}"))
    return [*lines, "", *(line for one in (*CAUTIONS, *_limits(ears)) for line in hanging(one, width))]


def _room_words(ears: Ears) -> str:
    room = ears.room
    head = "a rigid sphere as head" if ears.head_set is None else f"the head set {ears.head_set.name}"
    return worded("app.pair_in_room", room=room, head=head)


def _limits(ears: Ears | None) -> tuple[str, ...]:
    return LIMITS if ears is None else (*LIMITS, *ROOM_LIMITS)


def _tell(folder: Path, files: Sequence[RenderedFile], sound: str, *, match_loudness: bool, ears: Ears | None) -> None:
    document = {
        "document": "earwitness.versions",
        "version": 1,
        "sound": sound if sound in MATERIAL else Path(sound).name,
        "equal_loudness": match_loudness,
        "files": [
            {
                "file": one.path.name,
                **record(one, "key words"),
                "gain_db": round(one.gain_db, 3),
                "loudness_lufs": round(one.loudness_lufs, 3),
                "true_peak_db": round(one.true_peak_db, 2),
                "measured_hz": [round(hz, 2) for hz in one.bounded_hz],
            }
            for one in files
        ],
        "cautions": CAUTIONS,
        "limits": _limits(ears),
        **({} if ears is None else {"room": _room_words(ears).strip()}),
    }
    text = json.dumps(document, ensure_ascii=False, allow_nan=False, indent=1)
    try:
        (folder / "versions.json").write_text(text + "\n", encoding="utf-8", newline="\n")
        lines = rendered_lines(files, match_loudness=match_loudness, ears=ears)
        (folder / "versions.txt").write_text("\n".join(lines) + "\n", encoding="utf-8", newline="\n")
    except OSError as error:
        raise cannot_write("the list of versions", folder, error) from None
