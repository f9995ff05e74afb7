"""What the audio files say of themselves, compared with what session.toml says of them. No samples are judged."""

from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from earwitness.dsp.signals import CYCLES
from earwitness.errors import AudioError, Fault, FormatError
from earwitness.formats.audio import MAX_VALUES, _check_container, _check_header
from earwitness.formats.correction_file import read_correction
from earwitness.formats.impedance_table import read_impedance_table
from earwitness.formats.photo import check_photo
from earwitness.formats.scan_pressures import read_scan_pressures
from earwitness.session import session
from earwitness.session.check import reads_reference
from earwitness.session.draft import PlacedTake, SessionDraft
from earwitness.session.response_files import faults_of
from earwitness.session.responses import RESPONSE_FILES, ImpulseTake, ScanPressuresTake, ScanTake
from earwitness.session.toml_text import of_file, told

TAIL_S = 0.1
CALIBRATOR_S = 0.5


@dataclass(frozen=True, slots=True)
class Header:
    """rate_hz : sample rate; channels : how many; length_s : duration of one channel [s]."""

    rate_hz: int
    channels: int
    length_s: float


def read_header(path: Path) -> Header:
    """Rate, channels and length of the WAV or FLAC file `path`.

    Raises AudioError as read_audio does, for all that can be told without decoding the whole file.
    """
    import soundfile

    _check_container(path)
    try:
        with soundfile.SoundFile(str(path)) as file:
            _check_header(path, file.samplerate, file.subtype, file.frames * file.channels, MAX_VALUES)
            # A FLAC header survives truncation; the last sample does not.
            if file.seek(file.frames - 1) != file.frames - 1 or len(file.read(1)) != 1:
                raise _cut_off(path)
            return Header(file.samplerate, file.channels, file.frames / file.samplerate)
    except (soundfile.SoundFileError, OSError, ValueError, MemoryError):
        raise _cut_off(path) from None


def _cut_off(path: Path) -> AudioError:
    return AudioError.of("session.cut_off", where=str(path))


def check_files(folder: Path, draft: SessionDraft, hashes: dict[str, str]) -> Iterator[Fault]:
    """Faults of the named files in `folder`; `hashes` holds those that are there."""
    headers: dict[str, Header] = {}
    for name in dict.fromkeys(_audio_names(draft)):
        if name not in hashes:
            continue
        try:
            headers[name] = read_header(folder / name)
        except AudioError as error:
            yield of_file(error, name, _users(draft, name))
    yield from _rates(draft, headers)
    yield from _nyquist(draft, headers)
    for placed in draft.takes:
        if header := headers.get(placed.take.file):
            yield from _channels(draft, placed, header)
            yield from _length(draft, placed, header, headers)
            yield from _side_lines(draft, placed, header)
    yield from _calibrator(draft, headers)
    yield from _played_file(draft, headers)
    yield from _responses(folder, draft, hashes)
    yield from _other_files(folder, draft, hashes)


def _other_files(folder: Path, draft: SessionDraft, hashes: dict[str, str]) -> Iterator[Fault]:
    """Files that have a reader of their own: what it refuses."""
    named: list[tuple[str, str, Callable[[Path], object]]] = []
    if draft.microphone and draft.microphone.correction_file:
        named.append((draft.microphone.correction_file, "microphone.correction_file", read_correction))
    for take in (placed.take for placed in draft.takes):
        if isinstance(take, session.ImpedanceTableTake):
            named.append((take.file, f"take {take.id}, file", read_impedance_table))
        elif isinstance(take, ScanPressuresTake):
            named.append((take.file, f"take {take.id}, file", read_scan_pressures))
    named += [(name, "photo, file", check_photo) for name in draft.photos]
    for name, field, read in named:
        if name in hashes:
            try:
                read(folder / name)
            except FormatError as error:
                yield of_file(error, name, field)


def _audio_names(draft: SessionDraft) -> Iterator[str]:
    yield from (one.file for _, one in draft.stimuli() if isinstance(one, session.FileStimulus))
    if draft.microphone and draft.microphone.calibrator:
        yield draft.microphone.calibrator.file
    for placed in draft.takes:
        take = placed.take
        if isinstance(take, session.ImpedanceTableTake | ScanPressuresTake):
            continue
        if isinstance(take, RESPONSE_FILES) and not isinstance(take, ImpulseTake):
            continue
        yield placed.take.file
        if isinstance(placed.take, session.MultitoneTake):
            yield placed.take.stimulus_file


def _users(draft: SessionDraft, name: str) -> str:
    ids = [f"take {p.take.id}" for p in draft.takes if name in (p.take.file, getattr(p.take, "stimulus_file", None))]
    ids += [str(path[0]) for path, one in draft.stimuli() if isinstance(one, session.FileStimulus) and one.file == name]
    if draft.microphone and draft.microphone.calibrator and draft.microphone.calibrator.file == name:
        ids.append("microphone.calibrator")
    return ", ".join(ids[:3])


def _common_rate(draft: SessionDraft, headers: dict[str, Header]) -> int | None:
    """The rate of most takes; impedance may come from another interface."""
    rates = Counter(
        headers[p.take.file].rate_hz
        for p in draft.takes
        if p.take.file in headers and not isinstance(p.take, session.ImpedanceTake)
    )
    return rates.most_common(1)[0][0] if rates else None


def _rates(draft: SessionDraft, headers: dict[str, Header]) -> Iterator[Fault]:
    common = _common_rate(draft, headers)
    names = [p.take.file for p in draft.takes if not isinstance(p.take, session.ImpedanceTake)]
    names += [p.take.stimulus_file for p in draft.takes if isinstance(p.take, session.MultitoneTake)]
    names += [one.file for _, one in draft.stimuli() if isinstance(one, session.FileStimulus)]
    for name in dict.fromkeys(names):
        if name in headers and headers[name].rate_hz != common:
            yield told("rates_differ", name, None, _users(draft, name), rate_hz=headers[name].rate_hz, common=common)


def _nyquist(draft: SessionDraft, headers: dict[str, Header]) -> Iterator[Fault]:
    rate = _common_rate(draft, headers)
    for path, sweep in draft.stimuli():
        if isinstance(sweep, session.SweepStimulus) and rate and sweep.stop_hz > rate / 2:
            yield draft.fault("sweep_beyond_nyquist", (*path, "stop_hz"), sweep=sweep, rate=rate, half_hz=rate / 2)


def _channels(draft: SessionDraft, placed: PlacedTake, header: Header) -> Iterator[Fault]:
    take = placed.take
    needed: dict[str, int | None] = {"microphone_channel": take.microphone_channel}
    if isinstance(take, session.ImpedanceTake):
        needed = {"channel_a": take.channel_a, "channel_b": take.channel_b}
    else:
        needed["reference_channel"] = reads_reference(draft, placed)
        needed["monitor_channel"] = take.monitor_channel if isinstance(take, ScanTake) else None
    for key, channel in needed.items():
        if channel is not None and channel > header.channels:
            has = f"{header.channels} channel" + ("s" if header.channels > 1 else "")
            yield draft.take_fault("channel_missing", placed, key, has=has, channel=channel, role=key.replace("_", " "))


def _length(draft: SessionDraft, placed: PlacedTake, header: Header, headers: dict[str, Header]) -> Iterator[Fault]:
    take, played = placed.take, draft.stimulus_of(placed.take)
    needed, of = 0.0, ""
    if isinstance(take, session.MultitoneTake):
        needed, of = take.run_in_s + take.period_s, "the run-in and one period"
    elif isinstance(take, session.TwoToneTake):
        needed, of = take.run_in_s + take.length_s, "the run-in and length_s"
    elif isinstance(take, session.BurstTake):
        needed, of = take.before_s + CYCLES / take.frequency_hz + TAIL_S, "the silence, the burst and its decay"
    elif isinstance(take, session.NoiseRunTake):
        needed, of = take.run_in_s + take.duration_s, "the run-in and duration_s"
    elif not isinstance(
        take, session.FarFieldTake | session.NearFieldTake | session.LevelTake | session.SeatTake | ScanTake
    ):
        return
    elif isinstance(played, session.SweepStimulus):
        needed, of = played.lead_in_s + played.duration_s + TAIL_S, f"lead-in, sweep and {TAIL_S:g} s for the room"
    elif isinstance(played, session.FileStimulus) and played.file in headers:
        needed = played.lead_in_s + headers[played.file].length_s - TAIL_S
        of = "the lead-in and the file that was played"
    # Half a millisecond of grace, for durations that are no whole number of samples.
    if header.length_s + 5e-4 < needed:
        yield draft.take_fault("recording_too_short", placed, "file", header=header, of=of, needed=needed)


def _side_lines(draft: SessionDraft, placed: PlacedTake, header: Header) -> Iterator[Fault]:
    take = placed.take
    if isinstance(take, session.TwoToneTake):
        highest, key, what = take.high_hz + 2.0 * take.low_hz, "high_hz", "the highest side line"
    elif isinstance(take, session.BurstTake):
        highest, key, what = 2.0 * take.frequency_hz, "frequency_hz", "the second harmonic"
    else:
        return
    # The upper tenth of the band is left to the recorder's filter.
    limit = 0.42 * header.rate_hz
    if highest > limit:
        yield draft.take_fault("beyond_recording", placed, key, what=what, highest=highest, header=header, limit=limit)


def _calibrator(draft: SessionDraft, headers: dict[str, Header]) -> Iterator[Fault]:
    found = draft.microphone.calibrator if draft.microphone else None
    header = headers.get(found.file) if found else None
    if found is None or header is None:
        return
    place = ("microphone", "calibrator")
    if found.channel > header.channels:
        yield draft.fault("calibrator_channel", (*place, "channel"), found=found, header=header)
    if header.length_s < CALIBRATOR_S:
        yield draft.fault("calibrator_short", (*place, "file"), header=header, calibrator_s=CALIBRATOR_S)
    if found.frequency_hz >= header.rate_hz / 2:
        yield draft.fault("calibrator_frequency", (*place, "frequency_hz"), found=found, header=header)


def _played_file(draft: SessionDraft, headers: dict[str, Header]) -> Iterator[Fault]:
    for path, played in draft.stimuli():
        there = headers.get(played.file) if isinstance(played, session.FileStimulus) else None
        if isinstance(played, session.FileStimulus) and there is not None and played.channel > there.channels:
            yield draft.fault("played_channel", (*path, "channel"), played=played, there=there)


def _responses(folder: Path, draft: SessionDraft, hashes: dict[str, str]) -> Iterator[Fault]:
    relative = draft.responses is not None and draft.responses.level == "relative"
    for placed in draft.takes:
        if isinstance(placed.take, RESPONSE_FILES) and placed.take.file in hashes:
            yield from faults_of(folder, placed.take, relative=relative)
