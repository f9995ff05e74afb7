"""Reads the sentences on amplifiers, seats, subwoofers and aims back into claims, and holds them against physics.

Written from the English alone: Ohm's law, the distance law, trigonometry through scipy's rotations, filters through
scipy.signal. A sentence that no pattern reads is an objection too.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from math import hypot, log2, log10, sqrt

import numpy as np
from scipy import signal
from scipy.spatial.transform import Rotation
from sentence_claims import hz_of, number

from earwitness.figures.load import load_figures
from earwitness.insight.match.amplifier import Amplifier, AmplifierMatch
from earwitness.insight.match.seats import AimAdvice, SeatSpread
from earwitness.insight.match.subwoofer import MainResponse, SubwooferMatch
from earwitness.insight.mend.aim import AimStudy
from earwitness.quantities import Curve, Impedance
from earwitness.session.room_plan import RoomPlan

HZ = r"(\d+(?:\.\d+)?(?:e[+]\d+)?) (Hz|kHz)"
DB = r"([+-]?\d+(?:\.\d+)?)"
N = r"(\d+(?:\.\d+)?)"
U = r"(?:(\d+(?:\.\d+)?)|less than (0\.\d+))"
SINE_DB = 10 * log10(2)
Check = Callable[..., list[str]]


def read_back(sentences: Sequence[str], checks: Sequence[tuple[str, Check]], evidence: object) -> list[str]:
    """What the evidence denies of sentences; empty for true ones."""
    found = list[str]()
    for text in sentences:
        for pattern, check in checks:
            met = re.fullmatch(pattern, text)
            if met:
                try:
                    found += [f"{text}: {why}" for why in check(evidence, met)]
                except ValueError as error:
                    found.append(f"{text}: cannot be, {error}")
                break
        else:
            found.append(f"unread: {text}")
    return found


def near(printed: str, value: float, what: str, slack: float | None = None) -> list[str]:
    """Within half of the last printed digit, or a stated slack."""
    decimals = len(printed.partition(".")[2])
    slack = 0.5 * 10.0**-decimals + 1e-3 if slack is None else slack
    return [] if abs(number(printed) - value) <= slack else [f"{what} {printed} against {value:.3f}"]


def same_hz(one: float, other: float) -> bool:
    """Alike to three digits."""
    return one > 0 and abs(log2(one / other)) < 0.015


@dataclass(frozen=True)
class Drive:
    """An amplifier before a load, as it was told. sensitivity_db, u_db : of the loudspeaker."""

    amplifier: Amplifier
    load: Impedance
    sensitivity_db: float
    u_db: float
    distance_m: float
    goal_db: float
    peak_db: float
    found: AmplifierMatch

    def size(self) -> tuple[np.ndarray, np.ndarray]:
        """Hz and ohm, 20 Hz to 20 kHz."""
        use = (self.load.axis.hz >= 19.99) & (self.load.axis.hz <= 20_000.0)
        return self.load.axis.hz[use], np.abs(self.load.ohm[use])

    def at(self, hz: float) -> float:
        return float(np.interp(hz, *self.size()))

    def volts(self) -> np.ndarray:
        """Most rms voltage into each magnitude: rated power, straight over conductance between ratings, the current of
        the lowest load below it, and the peak current."""
        _, size = self.size()
        loads = sorted(((ohm, volt) for ohm, volt in self.amplifier.ratings), reverse=True)
        given = np.interp(1 / size, [1 / ohm for ohm, _ in loads], [volt for _, volt in loads])
        given = np.where(size < loads[-1][0], loads[-1][1] / loads[-1][0] * size, given)
        most = self.amplifier.peak_current_a
        return given if most is None else np.minimum(given, most / sqrt(2) * size)

    def level_u_db(self) -> float:
        """Of the highest level: the sensitivity's, and of the load where it is current that runs out."""
        row = int(self.volts().argmin())
        hz, size = self.size()
        load = 20 / np.log(10) * np.interp(hz[row], self.load.axis.hz, self.load.u_ohm) / size[row]
        return hypot(self.u_db, float(load) if self.starved()[row] else 0.0)

    def starved(self) -> np.ndarray:
        """Where current costs more than 1 dB of the highest rated voltage."""
        return self.volts() < max(volt for _, volt in self.amplifier.ratings) * 10 ** (-1 / 20)


def _lowest(one: Drive, ohm: str, hz: float) -> list[str]:
    every_hz, size = one.size()
    found = near(ohm, float(size.min()), "lowest impedance", 0.02)
    return found + (
        [] if same_hz(hz, float(every_hz[size.argmin()])) else [f"at {hz:.0f} Hz it is {one.at(hz):.2f} ohm"]
    )


def _can(one: Drive, met: re.Match[str]) -> list[str]:
    least = one.amplifier.minimum_load_ohm or 0.0
    found = _lowest(one, met[1], hz_of(met[2], met[3])) + near(met[4], 0.8 * least, "80 % of the least load")
    found += near(met[9], least, "least load")
    if number(met[1]) <= number(met[4]) or number(met[5]) <= number(met[8]):
        found.append("one of both is lower than it allows")
    return found + _peak_dissipation(one, met[5], met[8], hz_of(met[6], met[7]))


def _peak_dissipation(one: Drive, ohm: str, allowed: str, hz: float) -> list[str]:
    margin = one.found.figures["amplifier_epdr_margin"].value or 0.0
    low = load_figures(one.load)
    found = near(ohm, low["epdr_minimum_program"].value or 0.0, "resistance")
    found += [] if abs(log2(hz / (low["epdr_minimum_program_at"].value or 1.0))) < 0.01 else ["it is elsewhere"]
    return found + near(f"{number(ohm) - number(allowed):.2f}", margin, "margin", 0.011)


def _should_not(one: Drive, met: re.Match[str]) -> list[str]:
    found = [] if number(met[2]) < number(met[5]) else ["it is not lower"]
    found += near(met[6], one.amplifier.minimum_load_ohm or 0.0, "least load")
    if met[1] == "lowest impedance":
        allowed = near(met[5], 0.8 * (one.amplifier.minimum_load_ohm or 0.0), "80 % of the least load")
        return found + _lowest(one, met[2], hz_of(met[3], met[4])) + allowed
    return found + _peak_dissipation(one, met[2], met[5], hz_of(met[3], met[4]))


def _within(one: Drive, met: re.Match[str]) -> list[str]:
    keys = ("amplifier_load_margin", "amplifier_epdr_margin")
    margins = [one.found.figures[key] for key in keys]
    apart = number(met[1]) - number(met[4])
    told = [f for f in margins if f.value is not None and f.u is not None and abs(f.value - apart) < 0.011]
    found = near(met[5], one.amplifier.minimum_load_ohm or 0.0, "least load")
    found += (
        [] if any(abs(f.value or 0.0) <= 2 * (f.u or 0.0) for f in told) else ["that is not within the uncertainty"]
    )
    size = one.at(hz_of(met[2], met[3]))
    return found + ([] if size > number(met[1]) - 0.03 else [f"at {met[2]} {met[3]} the load is {size}"])


def _reaches(one: Drive, met: re.Match[str]) -> list[str]:
    hz, size = one.size()
    volts = one.volts()
    level = one.sensitivity_db + 20 * log10(volts.min() / 2.83) - 20 * log10(one.distance_m)
    found = near(met[1], level, "level") + near(met[3], one.distance_m, "distance") + near(met[4], volts.min(), "volts")
    found += near(met[2], max(2 * one.level_u_db(), 0.1), "u")
    if met[6] is None:
        return found + ([] if np.ptp(volts) < 1e-3 * volts.max() else ["not alike at every frequency"])
    there = float(hz[int(volts.argmin())])
    found += [] if same_hz(hz_of(met[6], met[7]), there) else [f"it is at {there} Hz"]
    is_current = bool(one.starved()[int(volts.argmin())])
    found += [] if is_current == (met[5] == "current") else ["what runs out first"]
    return found + near(met[8], float(np.interp(hz_of(met[6], met[7]), hz, size)), "ohm", 0.06)


def _goal(one: Drive, met: re.Match[str]) -> list[str]:
    peak = one.sensitivity_db + 20 * log10(one.volts().min() / 2.83) - 20 * log10(one.distance_m) + SINE_DB
    left = peak - one.goal_db - max(one.peak_db, SINE_DB)
    found = near(met[1], one.goal_db, "goal") + near(met[2], one.peak_db, "peaks")
    found += near(met[5], max(2 * one.level_u_db(), 0.1), "u")
    if met[3] is None:
        return found + ([] if abs(left) <= number(met[5]) + 0.06 else [f"{left} dB left"])
    sign = 1.0 if met[4] == "to spare" else -1.0
    return found + near(met[3], sign * left, "left") + ([] if abs(left) > number(met[5]) - 0.06 else ["within u"])


def _starved(one: Drive, met: re.Match[str]) -> list[str]:
    """Its stretches in order, three of them at most and how many more there are."""
    hz, starved = one.size()[0], one.starved()
    edges = np.flatnonzero(np.diff(np.concatenate([[0], starved.astype(int), [0]])))
    spans = [(hz[a], hz[b - 1]) for a, b in edges.reshape(-1, 2)]
    places, _, more = met[1].partition(" and ")
    told = [re.fullmatch(rf"{HZ} to {HZ}", part) for part in places.split(", ")]
    if len(told) != min(len(spans), 3) or None in told or int(more.partition(" ")[0] or 0) != max(len(spans) - 3, 0):
        return [f"the stretches are {spans}"]
    ends = [(hz_of(*t.group(1, 2)), hz_of(*t.group(3, 4))) for t in told if t is not None]
    apart = np.abs(np.log2(np.array(ends) / np.array(spans[:3])))
    return [] if apart.max() < 0.05 else [f"the stretches are {spans}"]


def _tone(one: Drive, met: re.Match[str]) -> list[str]:
    use = (one.load.axis.hz >= 19.99) & (one.load.axis.hz <= 20_000.0)
    hz, ohm, output = one.load.axis.hz[use], one.load.ohm[use], one.amplifier.output_ohm or 0.0
    change = 20 * np.log10(np.abs(ohm / (ohm + output)))
    change = change - np.interp(1000.0, hz, change)
    found = near(met[1], output, "output impedance", 0.05 * output + 1e-3)
    found += near(met[2], float(np.ptp(change)), "spread", 0.012)
    u = 2 * (one.found.figures["amplifier_response_spread"].u or 0.0)
    found += near(met[3], u, "u") if met[3] else [] if u < number(met[4]) else [f"u {u}"]
    for told, place in (((met[5], met[6], met[7]), change.argmax()), ((met[8], met[9], met[10]), change.argmin())):
        found += near(told[0], float(change[place]), "end", 0.012)
        found += [] if same_hz(hz_of(*told[1:]), float(hz[place])) else [f"it is at {hz[place]} Hz"]
    return found


AMPLIFIER: tuple[tuple[str, Check], ...] = (
    (
        rf".+ can drive this load: lowest impedance (\d+\.\d+) ohm at {HZ} against (\d+\.\d+) ohm, lowest peak "
        rf"dissipation resistance (\d+\.\d+) ohm at {HZ} against (\d+\.\d+) ohm \(least load (\S+) ohm\)\.",
        _can,
    ),
    (
        rf".+ should not drive this load: (lowest impedance|lowest peak dissipation resistance) (\d+\.\d+) ohm at {HZ} "
        r"against (\d+\.\d+) ohm \(least load (\S+) ohm\)\.",
        _should_not,
    ),
    (
        rf"Whether .+ can drive this load cannot be told: within the uncertainty: (\d+\.\d+) ohm at {HZ} against "
        r"(\d+\.\d+) ohm \(least load (\S+) ohm\)\.",
        _within,
    ),
    (
        r"Whether .+ can drive this load cannot be told: the amplifier's sheet states no least load\.",
        lambda one, _: [] if one.amplifier.minimum_load_ohm is None else ["it is stated"],
    ),
    (
        rf"By its voltage and current alone it reaches {N} ± {N} dB at (\S+) m \((\d+\.\d) V, (voltage|current) runs "
        rf"out first, at (?:{HZ}, (\d+\.\d) ohm|every frequency alike)\)\.",
        _reaches,
    ),
    (
        rf"For {N} dB with peaks {N} dB above: (?:(\d+\.\d) dB (to spare|missing)|just reached, within the "
        rf"uncertainty) \(± (\d+\.\d) dB\)\.",
        _goal,
    ),
    (r"Current runs out before voltage at (.+)\.", _starved),
    (r"Voltage runs out first at every frequency\.", lambda one, _: ["it does not"] if one.starved().any() else []),
    (
        rf"Its output impedance of (\S+) ohm changes the response by (\d+\.\d+) dB \(± {U} dB\) in all "
        rf"\({DB} dB at {HZ}, {DB} dB at {HZ} against 1 kHz\)\.",
        _tone,
    ),
    (
        r"That is one loudspeaker in free field; two in a room give about 6 to 9 dB more\.",
        lambda *_: [],
    ),
)


@dataclass(frozen=True)
class Seated:
    """A room whose loudspeakers send level_db (direction (D, 3)) -> (D, F) on hz (F,).

    highest_db, u_db, goal_db, peak_db, bound : what headroom is told of
    """

    plan: RoomPlan
    hz: np.ndarray
    level_db: Callable[[np.ndarray], np.ndarray]
    highest_db: float
    u_db: float
    goal_db: float
    peak_db: float
    bound: str
    aims: Mapping[str, AimAdvice | str]
    spreads: Mapping[str, SeatSpread]

    def speaker(self, name: str) -> int:
        return [one.name for one in self.plan.loudspeakers].index(name)

    def axis(self, name: str) -> tuple[float, float]:
        """Azimuth, elevation [rad]."""
        one = self.plan.loudspeakers[self.speaker(name)]
        if one.aim_at_m is None:
            return np.radians(one.azimuth_deg or 0.0), np.radians(one.elevation_deg or 0.0)
        x, y, z = np.subtract(one.aim_at_m, one.position_m)
        return float(np.arctan2(y, x)), float(np.arctan2(z, hypot(x, y)))

    def toward(self, name: str, azimuth: float, elevation: float) -> np.ndarray:
        """(S, 3) seats in the frame of a loudspeaker aimed there."""
        here = self.plan.loudspeakers[self.speaker(name)].position_m
        away = np.array([np.subtract(seat.position_m, here) for seat in self.plan.seats])
        return np.asarray(Rotation.from_euler("zy", [azimuth, -elevation]).inv().apply(away))

    def distance(self, name: str) -> dict[str, float]:
        """By seat [m]."""
        away = np.linalg.norm(self.toward(name, 0.0, 0.0), axis=1)
        return {seat.name: float(one) for seat, one in zip(self.plan.seats, away, strict=True)}

    def levels(self, vectors: np.ndarray) -> np.ndarray:
        """(S, F) 500 Hz to 10 kHz."""
        use = (self.hz >= 500.0) & (self.hz <= 10_000.0)
        rows = self.level_db(vectors / np.linalg.norm(vectors, axis=1, keepdims=True))
        return np.asarray(rows[:, use])

    def cost(self, name: str, turn_deg: float) -> float:
        """Root of the squares of spread and tone, distance in, at an aim from the middle of the seats."""
        here = self.plan.loudspeakers[self.speaker(name)].position_m
        x, y, _ = np.mean([seat.position_m for seat in self.plan.seats], axis=0) - here
        vectors = self.toward(name, float(np.arctan2(y, x)) + np.radians(turn_deg), self.axis(name)[1])
        rows = self.levels(vectors) - 20 * np.log10(np.linalg.norm(vectors, axis=1))[:, None]
        octaves = np.log2(self.hz[(self.hz >= 500.0) & (self.hz <= 10_000.0)])
        mean = rows.mean(axis=0)
        tone = (mean - np.polyval(np.polyfit(octaves, mean, 1), octaves)).std()
        return hypot(sqrt(float(rows.var(axis=0).mean())), float(tone))


def _window(one: Seated, met: re.Match[str]) -> list[str]:
    x, y, z = one.toward(met[1], *one.axis(met[1])).T
    up = dict(zip([s.name for s in one.plan.seats], np.degrees(np.arctan2(z, np.hypot(x, y))), strict=True))
    found = near(met[2], max(up.values()) - min(up.values()), "window")
    found += near(met[3], up[met[4]], met[4]) + near(met[5], up[met[6]], met[6])
    wrong = up[met[4]] > min(up.values()) + 0.1 or up[met[6]] < max(up.values()) - 0.1
    return found + (["these are not the ends"] if wrong else [])


def _differs(one: Seated, met: re.Match[str]) -> list[str]:
    rows = one.levels(one.toward(met[1], *one.axis(met[1])))
    if met[4] == "rows":
        of = np.array([seat.row for seat in one.plan.seats])
        rows = np.array([rows[of == row].mean(axis=0) for row in np.unique(of)])
    found = near(met[2], sqrt(float(rows.var(axis=0).mean())), "spread", 0.15)
    u = one.spreads[met[1]].figures[f"{met[4][:-1]}_spread"].u or 0.0
    found += near(met[3], 2 * u, "u")
    return found + ([] if len(rows) > 1 else [f"there is one of {met[4]}"])


def _headroom(one: Seated, met: re.Match[str]) -> list[str]:
    left = {
        (speaker.name, seat): one.highest_db + SINE_DB - 20 * log10(away) - one.goal_db - one.peak_db
        for speaker in one.plan.loudspeakers for seat, away in one.distance(speaker.name).items()
    }  # fmt: skip
    least, away = left[met[2], met[1]], one.distance(met[2])[met[1]]
    size = least if met[5] != "short" else -least
    found = near(met[3], size, "headroom") + near(met[4], 2 * one.u_db, "u") + near(met[7], away, "distance")
    found += [] if least < min(left.values()) + 0.06 else [f"another seat has {min(left.values())}"]
    found += near(met[6], least + one.goal_db + one.peak_db, "peak") + near(met[8], one.goal_db + one.peak_db, "goal")
    word = "above" if least > 2 * one.u_db else "below" if least < -2 * one.u_db else "within the uncertainty of"
    found += [] if (one.bound in met[0]) or met[5] == "short" else ["it is a bound"]
    word = "short" if one.bound and word == "below" else word
    return found + ([] if met[5] == word else [f"it is {word} the goal"])


def _quieter(one: Seated, met: re.Match[str]) -> list[str]:
    away = one.distance(met[1])
    found = near(met[3], 20 * log10(away[met[2]] / away[met[4]]), "lost")
    ends = away[met[2]] > max(away.values()) - 1e-6 and away[met[4]] < min(away.values()) + 1e-6
    return found + ([] if ends else ["not the farthest and the nearest"])


def _aims(one: Seated, met: re.Match[str]) -> list[str]:
    turn = (number(met[2]) if met[3] == "left" else -number(met[2])) if met[2] else 0.0
    best, worst = one.cost(met[1], turn), one.cost(met[1], number(met[7]))
    found = near(met[4], best, "cost", 0.2) + near(met[6], worst, "cost", 0.2)
    advice = one.aims[met[1]]
    assert isinstance(advice, AimAdvice)
    found += near(met[5], 2 * advice.best.u_db, "u")
    worst_deg = max(advice.aims, key=lambda aim: aim.cost_db).turn_deg
    if (turn, number(met[7])) != (advice.best.turn_deg, worst_deg):
        found.append(f"{advice.best.turn_deg} is advised, {worst_deg} the worst")
    costs = [one.cost(met[1], float(t)) for t in range(-40, 45, 5)]
    found += [] if best < min(costs) + max(0.1, number(met[5])) + 0.2 else [f"{min(costs)} can be had"]
    found += [] if worst > max(costs) - 0.2 else [f"the worst is {max(costs)}"]
    return found + ([] if worst - best > number(met[5]) - 0.2 else ["that is within the uncertainty"])


def _alike(one: Seated, met: re.Match[str]) -> list[str]:
    advice = one.aims[met[1]]
    assert isinstance(advice, AimAdvice)
    costs = [aim.cost_db for aim in advice.aims]
    apart = max(costs) - advice.best.cost_db
    worst = max(advice.aims, key=lambda aim: aim.cost_db)
    found = [] if apart <= number(met[2]) + 1e-3 else [f"the worst is {apart} dB behind"]
    return found + near(met[2], max(2 * hypot(advice.best.u_db, worst.u_db), 0.1), "u", 0.101)


SEATS: tuple[tuple[str, Check], ...] = (
    (rf"(.+): vertical window {N} degrees, from {DB} degrees at (.+) to {DB} degrees at (.+)\.", _window),
    (rf"(.+): direct sound differs by {N} ± {N} dB between (seats|rows), distance taken out\.", _differs),
    (
        rf"Least headroom at (.+) from (.+): (?:at least )?{DB} ± {N} dB, (above|below|within the uncertainty of) "
        rf"the goal \({N} dB peak at (\d+\.\d+) m for a goal of {N} dB peak\)\.",
        _headroom,
    ),
    (
        rf"Least headroom at (.+) from (.+): up to {N} ± {N} dB (short) of the goal "
        rf"\({N} dB peak at (\d+\.\d+) m for a goal of {N} dB peak\)\.",
        lambda one, m: _headroom(one, m) if one.bound == "at least" else ["it is no bound"],
    ),
    (rf"(.+): distance alone makes (.+) {N} dB quieter than (.+)\.", _quieter),
    (
        rf"Aim (.+) at (?:(\d+) degrees to its (left|right) of )?the middle of the seats: the seats then differ from "
        rf"even sound by {N} ± {N} dB \({N} dB at {DB} degrees\)\.",
        _aims,
    ),
    (rf"For (.+) no aim is better than another beyond the uncertainty of {N} dB\.", _alike),
)


@dataclass(frozen=True)
class Crossed:
    """An advised crossover. sub : None for an ideal one; words : what its sentences have said so far."""

    main: MainResponse
    sub: MainResponse | None
    found: SubwooferMatch
    distortion: Curve
    words: dict[str, str] = field(default_factory=dict)


def _filter(hz: np.ndarray, corner_hz: float, words: str, kind: str) -> np.ndarray:
    family, order = words.split()[0], int(words.split()[1]) // 6
    twice = family == "Linkwitz-Riley"
    b, a = signal.butter(order // (2 if twice else 1), 2 * np.pi * corner_hz, kind, analog=True)
    _, h = signal.freqs(b, a, 2 * np.pi * hz)
    return np.asarray(h**2 if twice else h)


def _cross(one: Crossed, met: re.Match[str]) -> list[str]:
    one.words.update(corner=met[1], high=met[2], low=met[3])
    return near(met[1], one.found.best.corner_hz, "corner")


def _set(one: Crossed, met: re.Match[str]) -> list[str]:
    one.words.update(inverted="yes" if met[1] == "inverted" else "", delay=met[3], gain=met[4])
    one.words["late"] = met[2]
    return [] if (met[5] is not None) == (one.sub is not None) else ["what the level is set against"]


def _stays(one: Crossed, met: re.Match[str]) -> list[str]:
    """The sum made anew from what the sentences say: delays to 0.1 ms and levels to 0.1 dB."""
    hz, said = one.main.axis.hz, one.words
    corner = float(said["corner"])
    main = one.main.pressure * (1.0 if said["high"] == "nothing" else _filter(hz, corner, said["high"], "high"))
    gain = float(said["gain"]) - (0.0 if one.sub is None else one.main.reference_db - one.sub.reference_db)
    delay = float(said["delay"]) / 1000 * (1 if said["late"] == "subwoofer" else -1)
    sub = _filter(hz, corner, said["low"], "low") * 10 ** (gain / 20) * np.exp(-2j * np.pi * hz * delay)
    sub = sub if one.sub is None else sub * one.sub.pressure
    total = 20 * np.log10(np.abs(sub - main if said["inverted"] else sub + main))
    rows = (hz >= 20.0) & (hz <= 300.0)
    found = near(met[1], float(total[rows].min()), "lowest", 0.2)
    found += near(met[2], float(total[rows].max()), "most", 0.2)
    return found + _spread(met[3], met[4], one.found.figures["crossover_sum_above"].u or 0.0)


def _spread(told: str | None, under: str | None, u_db: float) -> list[str]:
    if told:
        return near(told, 2 * u_db, "u")
    return [] if 2 * u_db < number(under or "0") else [f"u {2 * u_db}"]


def _air(one: Crossed, met: re.Match[str]) -> list[str]:
    use = (one.main.axis.hz >= 20.0) & (one.main.axis.hz <= 500.0)
    hz = one.main.axis.hz
    size = np.abs(one.main.pressure[use]) / hz[use] ** 2
    cut = size * np.abs(_filter(hz[use], float(one.words["corner"]), one.words["high"], "high"))
    found = near(met[1], 20 * log10(size.max() / cut.max()), "air")
    return found + _spread(met[2], met[3], one.found.figures["high_pass_displacement"].u or 0.0)


def _bass(one: Crossed, met: re.Match[str]) -> list[str]:
    """Products of the second order fall by the square of what the high-pass takes off their tone."""
    hz, percent = one.distortion.axis.hz, one.distortion.values
    pressure = np.abs(np.interp(hz, one.main.axis.hz, np.abs(one.main.pressure)))
    lowest = hz[(20 * np.log10(pressure) >= -10.0) & (hz >= 15.0)][0]
    use = one.distortion.valid & (hz >= max(20.0, lowest)) & (hz <= 200.0)
    hz, before = hz[use], percent[use]
    after = before * np.abs(_filter(hz, float(one.words["corner"]), one.words["high"], "high")) ** 2
    found = []
    for rows, value, u, at in ((before, *met.group(1, 2, 3)), (after, *met.group(4, 5, 6))):
        place = int(rows.argmax())
        spread = 2 * one.distortion.u_total[use][place] * rows[place] / before[place]
        found += near(value, float(rows[place]), "percent") + near(at, float(hz[place]), "at") + near(u, spread, "u")
    return found


def _free(one: Crossed, met: re.Match[str]) -> list[str]:
    assert one.found.ideal is not None
    gained = one.found.best.rms_db - one.found.ideal.rms_db
    found = near(met[4], gained, "gain") + near(met[3], one.found.ideal.corner_hz, "corner")
    scheme = one.found.ideal.scheme
    for told, slope in ((met[1].removesuffix(" high-pass"), scheme.high_pass), (met[2], scheme.low_pass)):
        family = {"BW": "Butterworth", "LR": "Linkwitz-Riley"}.get(slope[:2], "")
        found += [] if told == (f"{family} {6 * int(slope[2:])} dB/octave" if slope else "no") else [slope]
    return found + ([] if gained >= 0.1 else ["that is no gain"])


SLOPE = r"((?:Butterworth|Linkwitz-Riley) \d+ dB/octave"
SUBWOOFER: tuple[tuple[str, Check], ...] = (
    (rf"Cross over(?: to .+)? at (\S+) Hz: {SLOPE}|nothing) on the main, {SLOPE}) on the subwoofer\.", _cross),
    (
        rf"Main (inverted|not inverted)(?: in polarity)?, (subwoofer|main) (\d+\.\d) ms later, subwoofer level {DB} dB"
        r"( against the same voltage for both)?; a difference in path comes on top\.",
        _set,
    ),
    (rf"The sum then stays between {DB} dB and {DB} dB \(± {U} dB\) from 20 Hz to 300 Hz\.", _stays),
    (rf"The high-pass cuts the main's cone excursion by {N} dB \(± {U} dB\)\.", _air),
    (
        rf"Largest distortion in the bass: {N} ± {N} % at (\d+) Hz without it, {N} ± {N} % at (\d+) Hz with it\.",
        _bass,
    ),
    (
        rf"Below {N} Hz the main's level is continued with its slope, not measured\.",
        lambda one, m: near(m[1], one.main.lowest_hz, ""),
    ),
    (
        rf"With free choice of slopes: {SLOPE} high-pass|no high-pass) on the main, {SLOPE}) low-pass on the "
        rf"subwoofer, at (\S+) Hz; the sum is evener by {N} dB rms\.",
        _free,
    ),
    (
        r"No other slopes make the sum evener by 0\.1 dB rms\.",
        lambda one, _: [] if one.found.ideal.rms_db > one.found.best.rms_db - 0.1 else ["it is"],
    ),
)


OFF = r"(?:off the axis(?: to its own (?:left|right))?|(?:above|below) the axis)"
WHERE = rf"(straight at you|so that you sit (?:\d+)° {OFF})"
GAIN = (
    r"(no other angle is smoother by more than 0\.1 dB|"
    r"smoother by (?:\d+\.\d dB|less than 0\.1 dB) rms(?:, within the uncertainty)?)"
)


def _turn(where: str) -> float:
    met = re.search(r"(\d+)° (.*)", where)
    if met is None:
        return 0.0
    return -float(met[1]) if "right" in met[2] or "below" in met[2] else float(met[1])


def _lead(one: AimStudy, where: str, gain: str, *, mended: bool) -> list[str]:
    """The named aim against the axis and the best, by each aim's own rms."""
    turn, found = _turn(where), []
    score = {a.angle_deg: (a.roughness_mended_db if mended else a.roughness_db) for a in one.aims}
    u = {a.angle_deg: a.u_db for a in one.aims}
    if turn not in score:
        return [f"{turn} was not studied"]
    lead, best = score[0.0] - score[turn], min(score.values())
    found += [] if score[turn] <= best + 0.1 + 1e-9 else [f"{best} can be had"]
    found += [] if turn == (one.best_mended_deg if mended else one.best_deg) else ["another aim is advised"]
    nearer = [a for a, s in score.items() if s <= best + 0.1 and abs(a) < abs(turn)]
    found += [f"{nearer} is nearer and as smooth"] if nearer else []
    if turn == 0.0:
        return found + ([] if gain.startswith("no other") else ["words"])
    told = re.match(r"smoother by (?:less than 0\.1|(\d+\.\d)) dB rms(, within)?", gain)
    if told is None:
        return [*found, "words"]
    found += near(told[1], lead, "lead") if told[1] else [] if lead < 0.051 else [f"lead {lead}"]
    sure = lead > max(0.1, 2 * hypot(u[0.0], u[turn]))
    return found + ([] if sure == (told[2] is None) else [f"{lead} is {'' if sure else 'not '}beyond its uncertainty"])


def _both(one: AimStudy, plain: tuple[str, str], equalized: tuple[str, str]) -> list[str]:
    return _lead(one, *plain, mended=False) + _lead(one, *equalized, mended=True)


def _sides(one: AimStudy, met: re.Match[str]) -> list[str]:
    turned = any(turn for turn in (one.best_deg, one.best_mended_deg))
    if met[0].startswith("Left and right are"):
        return [] if not one.both_sides else ["both sides were studied"]
    if met[0].startswith("Its mirror"):
        return [] if one.both_sides and turned else ["it is not turned"]
    return [] if one.both_sides and any(a.angle_deg < 0 for a in one.aims) else ["one side was studied"]


STRAIGHT = "no other angle is smoother by more than 0.1 dB"
AIM: tuple[tuple[str, Check], ...] = (
    (
        rf"Aim it straight at you: {re.escape(STRAIGHT)}, with or without EQ\.",
        lambda one, _: _both(one, *[("straight at you", STRAIGHT)] * 2),
    ),
    (rf"Aim it {WHERE}: {GAIN}\.", lambda one, m: _lead(one, m[1], m[2], mended=False)),
    (
        rf"Aim it {WHERE}: without EQ {GAIN}, with EQ {GAIN}\.",
        lambda one, m: _both(one, (m[1], m[2]), (m[1], m[3])),
    ),
    (
        rf"Without EQ aim it {WHERE}: {GAIN}\. With EQ {WHERE}: {GAIN}\.",
        lambda one, m: _both(one, (m[1], m[2]), (m[3], m[4])),
    ),
    (r"Left and right are assumed equal\.", _sides),
    (r"Left and right differ, so both sides were studied\.", _sides),
    (r"Its mirror image asks for the opposite side\.", _sides),
)


def of_study(one: AimStudy) -> list[str]:
    """A study's words, sentence by sentence, both aims in one."""
    return read_back(re.findall(r"[A-Z](?:[^.]|\.\d|\.(?= With EQ))*\.", one.sentence), AIM, one)
