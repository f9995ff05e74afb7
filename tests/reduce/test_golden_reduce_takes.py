"""Takes at the edges of what the reduction does with them: short silence, turned polarity, electric takes, late sound.

Values are the program's own, frozen.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt
from reduce_worlds import HASH, LOUDSPEAKER, RATE, Rig, microphone, outcome, reader, recording, said, session, swept

from earwitness.errors import AudioError
from earwitness.formats.audio import Recording
from earwitness.quantities import Impedance, NearField, log_axis
from earwitness.reduce.arrival import arrival_times, facts_of, spread_s
from earwitness.reduce.auxiliary_takes import (
    _clipped,
    _loop_channel,
    _silence,
    _stuck,
    _volts,
    auxiliary_takes,
    reduce_seat,
)
from earwitness.reduce.deconvolve import (
    BadRecordingsError,
    SweepTake,
    deconvolve_takes,
    merged_error,
    others_unreadable,
    with_file_name,
)
from earwitness.reduce.plan import ReduceSettings, plan_of, speed_at
from earwitness.reduce.quality import _audible, session_doubts
from earwitness.session.session import MultitoneTake, SeatTake
from golden_values import stands

NAME = "reduce/takes"
Array = npt.NDArray[np.float64]
ONE = Rig(horizontal=(0.0,), vertical=())


def take(kind: str, name: str, **more: Any) -> dict[str, Any]:
    return {"kind": kind, "id": name, "file": f"{name}.wav", "sha256": HASH, **more}


def orders(rig: Rig, files: dict[str, Recording], more: Any = (), **changes: Any) -> Any:
    one = session(rig, more, **changes)
    plan, read = plan_of(one, reader(rig, one, files), ReduceSettings(), None)
    takes: list[SweepTake] = [*plan.far, *plan.near, *plan.level]
    wanted = frozenset(each.id for each in takes)

    def work() -> Any:
        found = deconvolve_takes(
            one, takes, wanted, plan.division_of, read, plan.axis, correction=microphone(), progress=lambda _a, _b: None
        )
        return [
            [
                [h.take, h.place, h.driver, h.in_series, h.clipped, h.pause_s, h.crossover, h.drive_v, h.temperature_c],
                np.maximum(h.noise_db, -20.0),
            ]
            for h in found.harmonics
        ] + [[h.take for h in found.high_orders], [w.take for w in found.witnesses]]

    return outcome(work)


def test_orders_of_takes() -> None:
    told: list[Any] = []
    rig = replace(ONE, levels=(1.0,), noise_fs=1e-3)
    base = recording(rig, "v1", 0.0, 1.5, 1.0, 4)
    sooner = np.roll(base.samples, -round(0.05 * RATE), axis=1)
    told.append(orders(rig, {"v1.wav": Recording(sooner, RATE, "")}))
    told.append(orders(rig, {"v1.wav": Recording(-sooner, RATE, "")}))
    top = float(np.abs(base.samples[0]).max())
    for low, high in ((-0.6 * top, top), (-top, 0.6 * top), (-1.0, 1.0)):
        scale = 1.0 if abs(low) + abs(high) < 2.0 else 1.5 / top
        cut = np.stack([np.clip(scale * base.samples[0], low, high), base.samples[1]])
        told.append(orders(rig, {"v1.wav": Recording(cut, RATE, "")}))
    more = [
        take("level", "n", drive_v=1.0, distance_m=0.02, driver="woofer", pause_s=30.0),
        take("level", "x", drive_v=1.0, distance_m=1.5, crossover="low-pass 80 Hz", temperature_c=22.0),
        take("near-field", "near", driver="woofer", distance_m=0.02),
    ]
    files = {f"{name}.wav": recording(rig, name, 0.0, 1.0, 1.0, k) for k, name in enumerate(("n", "x", "near"))}
    told.append(orders(rig, files, more))
    played = {"x.wav": Recording(swept(rig)[None, :], RATE, "")}
    told.append(orders(rig, played, stimulus={"kind": "file", "file": "x.wav", "lead_in_s": 0.12}))
    classic = replace(rig, length_s=0.8)
    told.append(orders(rig, {"v1.wav": recording(classic, "v1", 0.0, 1.5, 1.0, 4)}))
    stands(NAME, "orders", told, relative=2e-3, near_zero=1e-4)


def test_errors_told_together() -> None:
    told: list[Any] = []
    errors = [
        AudioError(f"bad {k}", where=f"take {k}" if k % 2 else "", expected="e" if k % 3 else "", remedy="r")
        for k in range(45)
    ]
    for count in (1, 2, 39, 40, 41, 45):
        one = BadRecordingsError(errors[:count])
        told.append([one.what[-300:], one.remedy, len(one.errors)])
    told.append(
        [merged_error(errors[:1]).what, merged_error([errors[0], errors[0]]).what, merged_error(errors[:2]).what]
    )

    def read(name: str) -> Recording:
        if name == "nan.wav":
            return Recording(np.array([[1.0, np.nan]]), RATE, "")
        if name == "h0.wav":
            return Recording(np.zeros((1, 4)), RATE, "")
        raise AudioError("no such thing", where="" if name == "v1.wav" else f"archive {name[:3]}", remedy="look")

    one = session(replace(ONE, levels=(1.0, 2.0)), [take("noise floor", "nan"), take("impedance table", "z")])  # type: ignore[assignment]
    told.append([[e.what, e.where] for e in others_unreadable(one, read)])  # type: ignore[arg-type]
    told.append([[e.what, e.where] for e in others_unreadable(one, read, {"nan.wav", "v2.wav"})])  # type: ignore[arg-type]
    named = with_file_name(read)
    told += [outcome(lambda n=name: named(n)) for name in ("v1.wav", "v2.wav", "v2.")]  # type: ignore[misc]
    stands(NAME, "errors", told)


@cache
def world(name: str) -> tuple[Any, Any]:
    rig = replace(ONE, horizontal=(0.0, 60.0), near=("woofer",))
    rig = replace(rig, loop=False, latency_s=0.0) if name != "wire" else rig
    rig = replace(rig, stop_hz=900.0) if name == "bass" else rig
    one = session(rig)
    plan, read = plan_of(one, reader(rig, one), ReduceSettings(), None)
    takes: list[SweepTake] = [*plan.far, *plan.near]
    found = deconvolve_takes(
        one, takes, frozenset(), plan.division_of, read, plan.axis, correction=None, progress=lambda _a, _b: None
    )
    return plan, [found.impulses[each.id] for each in takes]


def test_arrivals_in_fine_steps() -> None:
    told: list[Any] = []
    for name in ("wire", "alone", "bass"):
        plan, impulses = world(name)
        for row, shifts in (
            (2, np.arange(4.6e-3, 6.6e-3, 1e-4)),
            (1, np.arange(29e-3, 31e-3, 2e-4)),
            (2, -np.arange(6e-4, 3e-3, 1e-4)),
        ):
            for shift in shifts:
                odd = replace(impulses[row], start_s=impulses[row].start_s + shift, peak_s=impulses[row].peak_s + shift)
                told.append(arrival_times(plan, [*impulses[:row], odd, *impulses[row + 1 :]]).shared)
        one = arrival_times(plan, impulses)
        told.append([one.by_take_s, one.common_s, one.shared, one.high_hz, one.blur_s])
        told.append(
            [[f.arrival_s, f.non_causal_db, f.impulse, f.angle_deg, f.orbit] for f in facts_of(plan, impulses, one)]
        )
        for end in (5e-4, 1.5e-3, 4e-3, 0.018, 0.1):
            gate = replace(plan.gate, end_s=end)
            loud = [
                replace(i, samples=i.samples + 9.0 * np.roll(i.samples, 34) + 200.0 * np.roll(i.samples, 180))
                for i in impulses
            ]
            told.append([[f.arrival_s, f.non_causal_db] for f in facts_of(replace(plan, gate=gate), loud, one)])
    for rate in (17_900.0, 18_500.0, 20_000.0, 30_000.0):
        row = 1e-6 * np.random.default_rng(1).standard_normal(3000)  # type: ignore[assignment]
        row[1000] += 1.0  # type: ignore[index]
        told.append(spread_s(row, rate))  # type: ignore[arg-type]
    stands(NAME, "arrivals", told, relative=1e-3)


def electric(seed: int, ohm: float) -> Recording:
    random = np.random.default_rng(seed)
    source = random.standard_normal(16_384) * 0.1
    return Recording(np.stack([source, source * ohm / (ohm + 10.0)]), RATE, "DOUBLE")


def test_electric_takes_and_tables() -> None:
    told: list[Any] = []
    axis = log_axis(20.0, 7000.0, 6)
    table = Impedance(
        axis,
        np.full(len(axis), 6.0 + 0j),
        np.full(len(axis), 0.1),
        np.full(len(axis), 1.0),
        np.ones(len(axis), bool),
        (),
    )
    load = take("impedance", "z", resistor_ohm=10.0)
    many: list[tuple[list[dict[str, Any]], Any]] = [
        ([load], None),
        ([load, take("impedance table", "t")], table),
        ([take("impedance table", "t")], table),
        ([take("impedance table", "t")], None),
        ([], table),
        ([load | {"role": "open"}], None),
    ]
    for takes, given in many:
        one = session(ONE, takes)
        plan, read = plan_of(one, reader(ONE, one, {"z.wav": electric(1, 6.0)}), ReduceSettings(), None)
        found = auxiliary_takes(plan, read, given)
        ohm = None if found.impedance is None else [found.impedance.ohm, found.impedance.lineage]
        told.append([ohm, sorted(found.used), said(found.flags)])
    stands(NAME, "electric", told, relative=1e-3)


def multitone(**changes: Any) -> MultitoneTake:
    given = take("multitone", "m", drive_v=1.0, distance_m=1.0, stimulus_file="p.wav", period_s=0.25, run_in_s=0.1)
    return MultitoneTake.model_validate(given | changes)


def test_small_parts_of_loud_takes() -> None:
    told: list[Any] = []
    base = 0.3 * np.sin(np.arange(16_000) * 0.05)
    for low, high in ((-1.0, 0.9), (-0.9, 1.0), (-0.2, 0.9), (-0.9, 0.2)):
        row = Recording(np.stack([np.clip(5.0 * base, low, high), base]), RATE, "")
        told.append([_stuck(multitone(), row), said(_clipped(multitone(), row, "multitone", "it counts"))])
    told.append(outcome(lambda: _stuck(multitone(), Recording(np.array([[np.inf, 0.0]]), RATE, ""))))
    for reference in (None, {"channel": 2}, {"channel": 2, "volts_per_fs": 4.0}, {"channel": 3, "volts_per_fs": 4.0}):
        one = session(
            ONE,
            [take("noise floor", "still", microphone_channel=2)],
            **({} if reference is None else {"reference": reference}),
        )
        plan, read = plan_of(
            one,
            reader(ONE, one, {"still.wav": Recording(np.stack([base, 2 * base]), RATE, "")}),
            ReduceSettings(),
            None,
        )
        gear: Any = type("Gear", (), {"plan": plan, "read": read, "read_silence": staticmethod(read)})
        row = Recording(np.stack([base, base]), RATE, "")
        for channel in (None, 1):
            each = multitone(reference_channel=channel)
            told.append(
                [_loop_channel(gear, each), said(_volts(gear, each, row, 0.5)), said(_volts(gear, each, row, None))]
            )
        silent = _silence(gear, row)
        told.append(None if silent is None else silent)
        told.append(_silence(gear, Recording(row.samples, 8000, "")) is None)
    stands(NAME, "loud", told)


def test_seats() -> None:
    told: list[Any] = []
    for correction in (None, microphone()):
        one = session(ONE, [take("seat", "s", seat="sofa", drive_v=1.0, path_m=1.5, loudspeaker="left")])
        plan, _ = plan_of(one, reader(ONE, one), ReduceSettings(), correction)
        seat = one.takes_of(SeatTake)[0]
        made = recording(replace(ONE, noise_fs=1e-3), "s", 0.0, 2.0, 1.0, 5)
        for samples in (made.samples, made.samples[:, 600:], made.samples[:, 1100:], made.samples[:, 1200:9000]):
            found = reduce_seat(plan, seat, Recording(samples, RATE, ""))
            told.append([found.level_db, found.valid.sum(), np.flatnonzero(np.diff(found.valid.astype(int)))])
        told.append(outcome(lambda p=plan, s=seat, m=made: reduce_seat(p, s, Recording(m.samples, 8000, ""))))  # type: ignore[misc]
        told.append(outcome(lambda p=plan, s=seat, m=made: reduce_seat(p, s, Recording(m.samples[:0], RATE, ""))))  # type: ignore[misc]
    stands(NAME, "seats", told, relative=1e-3, near_zero=1e-3)


def test_what_is_asked_of_sessions() -> None:
    told: list[Any] = []
    axis = log_axis(20.0, 20_000.0, 24)
    hz = axis.hz
    s = 1j * hz / 60.0
    h = s**2 / (s**2 + s + 1.0)
    phase = np.unwrap(np.angle(h)) + np.radians(70.0)
    cone = NearField("woofer", axis, 20.0 * np.log10(np.abs(h)), phase, 25.0, 1200.0)
    for name in ("wire", "alone"):
        plan, impulses = world(name)
        late = arrival_times(plan, impulses)
        facts = facts_of(plan, impulses, late)
        gathered: Any = type("Gathered", (), {"impulses": {one.take: one for one in impulses}})
        flat = np.full(plan.axis.hz.size, 0.3 + 0j)
        for powered in (False, True):
            speaker = session(
                ONE, loudspeaker=LOUDSPEAKER | {"powered": powered, "rated_impedance_ohm": 8.0}
            ).loudspeaker
            for absolute in (False, True):
                one = replace(plan, session=plan.session.model_copy(update={"loudspeaker": speaker}))
                one = replace(one, calibration=replace(plan.calibration, absolute=absolute))
                valid = plan.axis.hz > 0.0
                flags = session_doubts(one, gathered, facts, late, (9.0 * flat, valid), None, None, [cone])  # type: ignore[arg-type]
                told.append(said(flags))
    edges = np.array([19.0, 20.0, 21.0, 19_999.0, 20_000.0, 20_001.0])
    told.append(_audible(type("Load", (), {"axis": type("Axis", (), {"hz": edges})})).tolist())  # type: ignore[arg-type]
    warm = session(ONE).takes[0].model_copy(update={"temperature_c": 30.0})
    told += [speed_at(plan, warm), speed_at(plan, session(ONE).takes[0])]  # type: ignore[arg-type]
    stands(NAME, "asked", told, relative=1e-3)
