"""How much of the gain at the splice belongs on the near field, by simulated loudspeakers with known truth.

    python benchmarks/splice.py --count 12 --seed 2 [BOX.npz ...]

Spheres of random size with caps, and rigid boxes solved by benchmarks/box_data/boxes.py (A to H, each a file that
it writes): a vented woofer with random circuit, 2 m away, gated at 5 and 8 ms; stated places off by 1 cm each way,
diameters by 2 %, gaps by 1.5 mm, lengths by 1 %, the port's recording by 0.3 dB, the near chain by 0.15 or 1 dB.
Printed, by kind: rms error of the bass (mean from 25 to 110 Hz on axis) with nothing, all, and the rule's share of the
gain put on the near field, the share that would have been best, the share of sessions inside U95 by their causes, and
the median U95.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from scipy.interpolate import CubicSpline

from earwitness.quantities import Gate, from_orbit, report_axis
from earwitness.reduce.budget import gating_u_db
from earwitness.reduce.doubt.port import CHECKED_U_DB, UNCHECKED_U_DB, port_reading
from earwitness.reduce.gate import cut_tail, weights_of
from earwitness.reduce.nearfield.body import NearPart, body_of, fields_of
from earwitness.reduce.nearfield.total import CABINET, Bass, bass_of, near_causes, scaled_part, seated, solved
from earwitness.reduce.splice import CHAIN_BY_HAND_U_DB, CHAIN_U_DB, FAR_LEVEL_U_DB, LevelPrior, splice
from earwitness.session.record import Loudspeaker

C = 343.2
AXIS_HZ = report_axis().hz
HZ = AXIS_HZ[AXIS_HZ < 2500.0]
AHEAD = from_orbit("horizontal", [0.0])
DISTANCE_M = 2.0
GAP_M = 0.005
BASS_HZ = (25.0, 110.0)
Fields = tuple[np.ndarray, np.ndarray, np.ndarray]


@dataclass(frozen=True)
class World:
    """told : the loudspeaker as it is; fields : at hz, over j omega rho: far (F, S), at 2 m referred (F, S), and at
    the microphones (F, at, by)."""

    told: Loudspeaker
    fields: Callable[[np.ndarray], Fields]


def loudspeaker(drivers: list[dict[str, object]], whd: np.ndarray, **more: object) -> Loudspeaker:
    told = {"name": "One", "maker": "None", "type": "other", "enclosure": "vented", "reference_axis": "ahead",
            "width_m": whd[0], "height_m": whd[1], "depth_m": whd[2], "driver": drivers, **more}  # fmt: skip
    return Loudspeaker.model_validate(told, strict=False)


def driver(name: str, radius: float, place: np.ndarray) -> dict[str, object]:
    kind = "port" if name == "port" else "cone"
    return {"name": name, "kind": kind, "diameter_m": 2 * radius, "position_m": tuple(map(float, place))}


def box_world(file: Path) -> World:
    data = np.load(file)
    used = [row for row, name in enumerate(data["driver"]) if name != "tweeter"]
    stored = data["frequency_hz"]
    scale = (2j * np.pi * stored * float(data["rho"]))[:, None]
    center, near_point = data["driver_centre_m"][used], data["near_point_m"][used, 1]
    beside = np.linalg.norm(near_point[:, None] - center, axis=2)

    def between(values: np.ndarray, path: np.ndarray, hz: np.ndarray) -> np.ndarray:
        known, k = 2 * np.pi * stored / C, 2 * np.pi * hz / C
        steady = CubicSpline(known, values / scale * np.exp(1j * known[:, None] * path), axis=0)
        return steady(np.clip(k, known[0], known[-1])) * np.exp(-1j * k[:, None] * path)

    def fields(hz: np.ndarray) -> Fields:
        k = 2 * np.pi * hz / C
        far = between(data["far_rp"][:, used, 0], -center[:, 0], hz)
        paths = np.linalg.norm(np.array([DISTANCE_M, 0, 0]) - center, axis=1)
        there = between(data["orbit_p"][:, used, 1, 0], paths, hz) * DISTANCE_M * np.exp(1j * k * DISTANCE_M)[:, None]
        near = [between(data["near_p"][:, used, one, 1], beside[row], hz) for row, one in enumerate(used)]
        return far, there, np.stack(near, axis=1)

    names, radii = data["driver"][used], data["driver_radius_m"][used]
    drivers = [driver(str(n), float(r), c) for n, r, c in zip(names, radii, center, strict=True)]
    whd, middle = data["box_whd_m"], data["box_middle_m"]
    places = {"reference_below_top_m": float(whd[1] / 2 + middle[2]), "reference_left_m": -float(middle[1])}
    return World(loudspeaker(drivers, whd, **places), fields)


def sphere_world(draw: np.random.Generator) -> World:
    whd = np.array([draw.uniform(0.16, 0.30), draw.uniform(0.28, 0.9), draw.uniform(0.2, 0.4)])
    radius = (3 * np.prod(whd) / (4 * np.pi)) ** (1 / 3)
    cone = min(draw.uniform(0.05, 0.1), 0.42 * whd[0])
    port = cone * draw.uniform(0.3, 0.55)
    down = 0.7 * np.arcsin(draw.uniform(0.4, 0.7))
    apart = draw.uniform(1.15, 1.6) * (np.arcsin(cone / radius) + np.arcsin(port / radius))
    turns = down, 0.9 * np.pi if draw.random() < 0.3 else down + apart
    places = [radius * np.array([np.cos(turn) - 1, 0.0, -np.sin(turn)]) for turn in turns]
    told = loudspeaker([driver("woofer", cone, places[0]), driver("port", port, places[1])], whd, shape="sphere")
    seats = seated([NearPart(one, np.zeros(1, complex), GAP_M) for one in told.drivers], body_of(told))

    def fields(hz: np.ndarray) -> Fields:
        assert not isinstance(seats, str)
        found = fields_of(body_of(told), seats, [GAP_M] * 2, hz, AHEAD.unit_vectors(), speed_of_sound=C,
                          distance_m=DISTANCE_M)  # fmt: skip
        assert found.there is not None
        return found.far[0], found.there[0], found.reading

    return World(told, fields)


def flows(draw: np.random.Generator, cones: int, has_port: bool) -> Callable[[np.ndarray], np.ndarray]:
    """Volume accelerations (F, S) of a vented box by its circuit, or of a closed one, under a low-pass."""
    tuning, qts, alpha = draw.uniform(35, 60), draw.uniform(0.3, 0.5), draw.uniform(0.8, 4)
    resonance, port_q, leak_q = tuning * draw.uniform(0.8, 1.5), draw.uniform(15, 60), draw.uniform(5, 25)
    low_pass = draw.uniform(900, 1800)

    def at(hz: np.ndarray) -> np.ndarray:
        s, x, ratio = 1j * hz / resonance, 1j * hz / tuning, tuning / resonance
        load = alpha / (s + ratio / leak_q + ratio**2 / (s + ratio / port_q)) if has_port else alpha / s
        cone = 1j * hz / (s + 1 / qts + 1 / s + load) / (1 + 1j * hz / low_pass / 0.7 - (hz / low_pass) ** 2)
        rows = [cone / cones] * cones
        return np.stack([*rows, -cone / ((x + 1 / port_q) * (x + 1 / leak_q) + 1)] if has_port else rows, axis=-1)

    return at


def gated(world: World, flow: Callable[[np.ndarray], np.ndarray], gate: Gate) -> list[np.ndarray]:
    """(F,) at 2 m with gates of 1, 0.8 and 0.65 of the length."""
    step, rate = 5.0, 12_000.0
    grid = step * np.arange(1, int(rate / 2 / step) + 1)
    there = (world.fields(np.minimum(grid, 2990.0))[1] * flow(grid)).sum(axis=-1) / (1 + (grid / 2600.0) ** 12)
    impulse = np.fft.irfft(np.concatenate([[0.0], there]))
    lead = impulse.size // 8
    time = (np.arange(impulse.size) - lead) / rate
    turn = np.exp(-2j * np.pi * np.outer(HZ, time))
    cut = [np.roll(impulse, lead) * weights_of(gate, time, share=share) for share in (1.0, 0.8, 0.65)]
    return [turn @ one for one in cut]


def as_stated(draw: np.random.Generator, told: Loudspeaker) -> Loudspeaker:
    """What a tester writes down: places off by 1 cm, diameters by 2 %, lengths by 1 %."""
    drivers = [
        one.model_copy(
            update={
                "position_m": tuple(np.array(one.position_m) + 0.01 * draw.normal(size=3) * [0.3, 1, 1]),
                "diameter_m": one.diameter_m * (1 + 0.02 * draw.normal()),
            }
        )
        for one in told.drivers
    ]
    lengths = {key: getattr(told, key) * (1 + 0.01 * draw.normal()) for key in ("width_m", "height_m", "depth_m")}
    return told.model_copy(update={**lengths, "drivers": tuple(drivers)})


def session(draw: np.random.Generator, world: World, gate_s: float, chain_db: float) -> tuple[float, ...] | str:
    """Bass error without any gain, the gain, the rule's share, u of the bass [dB]; or why it was refused."""
    drivers = world.told.drivers
    is_port = np.array([one.kind == "port" for one in drivers])
    flow = flows(draw, int((~is_port).sum()), bool(is_port.any()))
    gate = Gate(-0.7e-3, gate_s, 0.4 * gate_s, 1.05 * gate_s, "stated by the tester", 1.2 / gate_s)
    far, _, reading = world.fields(HZ)
    true = (far * flow(HZ)).sum(axis=-1)
    heard = np.einsum("fij,fj->fi", reading, flow(HZ)) * 10 ** (draw.normal(0, chain_db) / 20)
    heard = heard * np.where(is_port, 10 ** (draw.normal(0, 0.3) / 20), 1.0)
    seen = [one * 10 ** (draw.normal(0, 0.05) / 20) for one in gated(world, flow, gate)]
    told = as_stated(draw, world.told)
    parts = [
        NearPart(one, heard[:, i], max(GAP_M + draw.normal(0, 0.0015), 0.001)) for i, one in enumerate(told.drivers)
    ]
    seats = seated(parts, body_of(told))
    if isinstance(seats, str):
        return seats
    bass = bass_of(parts, HZ, body_of(told), seats, AHEAD, speed_of_sound=C, distance_m=DISTANCE_M)
    if isinstance(bass, str):
        return bass
    bass, settle = with_port(bass, is_port)
    moved = near_causes(
        bass, AHEAD, speed_of_sound=C, other_shape=False, settle=settle,
        port_u_db=None if not is_port.any() else UNCHECKED_U_DB if settle is None else CHECKED_U_DB,
    )  # fmt: skip
    whole = [
        one + cut_tail(HZ, bass.there(), bass.highest_hz, gate, share=share)[0]
        for one, share in zip(seen, (1.0, 0.8, 0.65), strict=True)
    ]
    u_gate = gating_u_db(*(20 * np.log10(np.abs(one)) for one in whole))
    near = bass.far()
    chain = CHAIN_U_DB if chain_db < 0.5 else CHAIN_BY_HAND_U_DB
    of_near = np.sqrt(chain**2 + sum(one.pull_db[0] ** 2 for one in moved if one.name != CABINET))
    cabinet = next(one.pull_db[0] for one in moved if one.name == CABINET)
    levels = LevelPrior(chain, of_near, np.sqrt(FAR_LEVEL_U_DB**2 + u_gate**2 + cabinet**2), chain_db < 0.5, True)
    referred = whole[0][None] * bass.to_far_field(whole[0][None])
    none = np.zeros((1, HZ.size))
    found = splice(HZ, referred, near, gate.lowest_valid_hz, bass.highest_hz, none, none[0], 0, levels)
    if isinstance(found, str):
        return found
    low = (BASS_HZ[0] <= HZ) & (BASS_HZ[1] >= HZ)
    inside = (found.report.low_hz <= HZ) & (found.report.high_hz >= HZ)
    own = [float((one.pull_db[0, low] - found.share * one.pull_db[0, inside].mean()).mean()) for one in moved]
    u_db = float(np.sqrt(np.sum(np.square([*own, *(one.pull_db[0, low].mean() for one in found.causes)]))))
    error = float(np.mean(20 * np.log10(np.abs(near[0, low] / true[low]))))
    return error, found.report.gain_db, found.share, u_db


def with_port(bass: Bass, is_port: np.ndarray) -> tuple[Bass, Callable[[np.ndarray], tuple[NearPart, ...]] | None]:
    """The port set by the cone, as a session does it."""
    if not is_port.any():
        return bass, None
    below = HZ <= 400.0

    def settle(reading: np.ndarray) -> tuple[NearPart, ...]:
        heard = np.stack([part.pressure for part in bass.parts], axis=-1)
        found = port_reading(HZ[below], reading[below], heard[below], is_port, np.full(int(below.sum()), 99.0))
        by = 1.0 if found is None or found.turned_over else 10 ** (-found.scale_db / 20)
        return tuple(scaled_part(part, by) if part.is_port else part for part in bass.parts)

    parts = settle(bass.fields.reading)
    return replace(bass, parts=parts, strengths=solved(bass.fields.reading, parts)), settle


def line(name: str, rows: list[tuple[float, ...] | str]) -> str:
    kept = np.array([row for row in rows if not isinstance(row, str)])
    error, gain, share, u = kept.T

    def rms(values: np.ndarray) -> str:
        return f"{np.sqrt(np.mean(values**2)):.2f}"

    best = float(-(error @ gain) / (gain @ gain))
    inside = np.mean(np.abs(error + share * gain) <= 2 * u)
    cells = [name, f"{len(kept)} of {len(rows)}", rms(error), rms(error + gain), rms(error + share * gain),
             f"{np.median(share):.2f}", f"{best:.2f}", f"{inside:.0%}", f"{2 * np.median(u):.2f}"]  # fmt: skip
    return "| " + " | ".join(cells) + " |"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("boxes", nargs="*", type=Path)
    parser.add_argument("--count", type=int, default=12)
    parser.add_argument("--seed", type=int, default=2)
    given = parser.parse_args()
    print("| loudspeakers | joined | none | all | by the rule | its share | best share | inside U95 | median U95 |")
    print("| --- |" + " --- |" * 8)
    for chain_db in (0.15, 1.0):
        pooled: list[tuple[float, ...] | str] = []
        for row, file in enumerate([None, *given.boxes]):
            draw = np.random.default_rng([given.seed, row])
            world = None if file is None else box_world(file)
            found = [
                session(draw, world or sphere_world(draw), float(draw.choice([0.005, 0.008])), chain_db)
                for _ in range(given.count)
            ]
            pooled += found
            name = "spheres" if file is None else f"box {file.name[0]}"
            print(line(f"{name}, chain {chain_db:g} dB", found), flush=True)
        print(line(f"all, chain {chain_db:g} dB", pooled), flush=True)


if __name__ == "__main__":
    main()
