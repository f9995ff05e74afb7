"""What a page may say beyond what was measured: findings, what was heard, how to mend it, what it needs around it."""

from collections.abc import Mapping
from dataclasses import dataclass

from earwitness.insight.claims import ClaimVerdict
from earwitness.insight.findings import Finding
from earwitness.insight.for_whom import Said
from earwitness.insight.kinds.reading import KindReading
from earwitness.insight.listening.matching import Matching
from earwitness.insight.listening.reliability import Agreement, Reliability
from earwitness.insight.match.amplifier import AmplifierMatch
from earwitness.insight.match.at_seats import AtSeats
from earwitness.insight.match.boundaries import Boundary
from earwitness.insight.match.plan_room import PlanRoom
from earwitness.insight.match.seats import AimAdvice, SeatAngle, Spread
from earwitness.insight.match.subwoofer import SubwooferMatch
from earwitness.insight.match.window import BalanceWindow
from earwitness.insight.mend.aim import AimStudy
from earwitness.insight.mend.design import Design
from earwitness.insight.mend.goal import Goal
from earwitness.insight.mend.report import Mended
from earwitness.insight.mend.stop import Step
from earwitness.insight.mend.verdict import Verdict
from earwitness.quantities import Figure
from earwitness.session.notes import ListeningSheet


@dataclass(frozen=True, slots=True, eq=False)
class HeardSheet:
    """A sealed sheet held against the data. is_after_data : it was sealed when the data had been shown."""

    sheet: ListeningSheet
    sha256: str
    sealed_at: str
    opened_at: str | None
    is_after_data: bool
    matching: Matching


@dataclass(frozen=True, slots=True, eq=False)
class MendAdvice:
    """An equalizer for a goal.

    design, after : the advised one, or (recommended False) one asked for or set by hand; None to leave it alone
    verdict : always on the advised one; steps : 0, 1, ... bands
    """

    goal: Goal
    design: Design | None
    after: Mended | None
    verdict: Verdict
    steps: tuple[Step, ...]
    recommended: bool


@dataclass(frozen=True, slots=True, eq=False)
class AimAdvised:
    """Aim studies of both orbits; missing : by orbit, why there is none."""

    horizontal: AimStudy | None
    vertical: AimStudy | None
    missing: Mapping[str, str]


@dataclass(frozen=True, slots=True, eq=False)
class SeatsAdvice:
    """Seats of a room plan. aims : by loudspeaker, the advice or why there is none."""

    angles: tuple[SeatAngle, ...]
    spreads: Mapping[str, Spread]
    aims: Mapping[str, AimAdvice | str]
    levels: Mapping[tuple[str, str], Figure]
    headroom: Mapping[tuple[str, str], Figure]
    sentences: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class MatchAdvice:
    """What a loudspeaker needs around it. absent : by part, why it is not there; in_room : figures and sentences;
    windows : of the balance through the crossover; near : with a wall or a desk near it, and what is said of each;
    plan_room : what the room of the plan does; at_seats : the prediction there against takes at its seats;
    kind : what its kind is read for."""

    claims: tuple[ClaimVerdict, ...]
    amplifier: AmplifierMatch | None
    subwoofer: SubwooferMatch | None
    seats: SeatsAdvice | None
    for_whom: tuple[Said, ...]
    absent: Mapping[str, str]
    in_room: tuple[Mapping[str, Figure], tuple[str, ...]] | None = None
    windows: tuple[BalanceWindow, ...] = ()
    near: tuple[tuple[Boundary, tuple[str, ...]], ...] = ()
    plan_room: PlanRoom | None = None
    at_seats: AtSeats | None = None
    kind: KindReading | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnTrial:
    """Trials that are over, as they stand beside the data.

    finding : number of the one whose threshold was sought, None for others; beside : a sentence on it; is_heard :
    whether the finding as it is lies above that threshold's interval, below it (False), or in it (None)
    about_equalizer : one of the versions was equalized
    """

    question: str
    versions: tuple[str, ...]
    sound: str
    listener: str
    begun_at: str
    sentence: str
    finding: int | None = None
    beside: str = ""
    is_heard: bool | None = None
    about_equalizer: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Advice:
    """All of it; a part that was not asked for, or that the data do not give, is None or empty."""

    findings: tuple[Finding, ...] = ()
    heard: tuple[HeardSheet, ...] = ()
    trials: tuple[OwnTrial, ...] = ()
    reliability: tuple[Reliability, ...] = ()
    agreement: Agreement | None = None
    mend: MendAdvice | None = None
    mend_absent: str = ""
    aim: AimAdvised | None = None
    match: MatchAdvice | None = None
