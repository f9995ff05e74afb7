"""Exhibits: the maker's claims, the amplifier, the subwoofer and the seats against the data."""

from collections.abc import Sequence
from dataclasses import replace

from earwitness.exhibits.advice import MatchAdvice, SeatsAdvice
from earwitness.exhibits.chart import Chart, Panel, Table, Trace, chart, table
from earwitness.exhibits.level_facts import joined, level_span, step_span, valid_values
from earwitness.exhibits.words import exact_words, figure_words, number_words, true_minus, value_words
from earwitness.insight.claims import ClaimVerdict
from earwitness.insight.match.amplifier import AmplifierMatch
from earwitness.insight.match.in_room import AtSeats
from earwitness.insight.match.subwoofer import SubwooferMatch
from earwitness.quantities import Figure


def match_exhibits(advice: MatchAdvice) -> tuple[Chart | Table, ...]:
    """All that there is, in the order of the page."""
    found: list[Chart | Table | None] = [claims_table(advice.claims)]
    if advice.amplifier is not None:
        found += [amplifier_table(advice.amplifier), level_chart(advice.amplifier), change_chart(advice.amplifier)]
    if advice.subwoofer is not None:
        found.append(subwoofer_chart(advice.subwoofer))
    if advice.seats is not None:
        found.append(seats_table(advice.seats))
    return tuple(one for one in found if one is not None)


def claims_table(claims: Sequence[ClaimVerdict]) -> Table | None:
    """What the maker says against what was measured; None without claims."""
    if not claims:
        return None
    rows = tuple(
        (
            one.claim.quantity[0].upper() + one.claim.quantity[1:],
            true_minus(one.claim.text or f"{one.claim.value:g} {one.claim.unit}"),
            "not measured" if one.measured is None or not one.measured.is_judged else figure_words(one.measured),
            one.verdict,
            true_minus(one.sentence),
        )
        for one in claims
    )
    return table("claims", rows)


def amplifier_table(match: AmplifierMatch) -> Table:
    """Every figure of an amplifier with this load."""
    from earwitness.insight.match.amplifier import INFO

    return table(
        "amplifier",
        tuple(
            (
                INFO[key].name[0].upper() + INFO[key].name[1:],
                _amplifier_words(figure, INFO[key].decimals),
                true_minus("; ".join(figure.caveats)),
            )
            for key, figure in match.figures.items()
        ),
        note=true_minus(" ".join(match.sentences)),
        match=match,
    )


def _amplifier_words(figure: Figure, decimals: int) -> str:
    """These figures stand in no reading, so the registry does not know their decimals. A rating is exact."""
    if figure.value is None or figure.u is None:
        return figure_words(figure)
    if figure.u == 0:
        return exact_words(figure.value, figure.unit, most=decimals)
    words = value_words(figure.value, figure.u, figure.unit, most=decimals)
    return f"{figure.bound} {words}" if figure.bound else words


def change_chart(match: AmplifierMatch) -> Chart | None:
    """What the amplifier's output impedance does to the balance."""
    curve = match.curves.get("amplifier_response")
    if curve is None:
        return None
    low, high = step_span(valid_values((curve,)), 1.0, low=-2.0, high=2.0)
    spread = match.figures["amplifier_response_spread"]
    return chart(
        "amplifier-response",
        (Panel("Change", "dB", low, high, 1.0, traces=(Trace(curve, "plain", "change", True),), db_per_decade=None),),
        finding=f"The response changes by {figure_words(spread)} in all.",
        match=match,
    )


def level_chart(match: AmplifierMatch) -> Chart | None:
    """Highest level by frequency with an amplifier."""
    curve = match.curves.get("amplifier_highest_level")
    if curve is None:
        return None
    low, high = level_span((curve,), span_db=40.0)
    told = match.figures["amplifier_highest_level"]
    return chart(
        "amplifier-level",
        (Panel("Level", curve.reference, low, high, 5.0, traces=(Trace(curve, "plain", "highest level"),)),),
        finding=f"The amplifier alone limits the level to {figure_words(told)} at 1 m ({'; '.join(told.caveats[:1])}).",
        match=match,
    )


def subwoofer_chart(match: SubwooferMatch) -> Chart:
    """Sum, high-passed main and low-passed subwoofer at the best setting."""
    roles = (("crossed_sum", "mended", "together"), ("crossed_main", "direct", "main"),
             ("crossed_subwoofer", "plain", "subwoofer"))  # fmt: skip
    traces = tuple(Trace(match.curves[key], role, label) for key, role, label in roles)  # type: ignore[arg-type]
    low, high = level_span(tuple(trace.curve for trace in traces), span_db=25.0, low_hz=20.0)
    return chart(
        "subwoofer",
        (Panel("Level", "dB, as on axis", low, high, 5.0, traces=traces),),
        finding=true_minus(" ".join(match.sentences[:3])),
        low_hz=20.0,
        high_hz=500.0,
        reading=joined(
            true_minus(" ".join(match.sentences[3:])),
            "The room is not in it; a difference in path needs its own delay.",
        ),
        match=match,
    )


def at_seats_chart(found: AtSeats) -> Chart:
    """Third octaves measured at the seats over the predicted ones with their uncertainty."""
    traces = (Trace(found.predicted, "in room", "predicted", True), Trace(found.measured, "direct", "measured"))
    low, high = level_span(tuple(trace.curve for trace in traces), span_db=25.0)
    return chart(
        "at-seats",
        (Panel("Level at the seats", "dB SPL, 2.83 V", low, high, 5.0, traces=traces),),
        finding=true_minus(found.sentences[0]),
        low_hz=100.0,
        reading=joined(true_minus(" ".join(found.sentences[1:]))),
    )


def _headroom_words(headroom: Figure) -> str:
    """What is left; where some is missing at most, how much: "at least -8 dB" would be for the reader to turn over."""
    if headroom.value is None or headroom.value >= 0.0 or headroom.bound != "at least":
        return figure_words(headroom, sign=True)
    return f"up to {figure_words(replace(headroom, value=-headroom.value, bound=''))} short"


def seats_table(seats: SeatsAdvice) -> Table:
    """Every seat from every loudspeaker: where it is, level and headroom."""
    rows = tuple(
        (
            a.seat,
            a.loudspeaker,
            f"{a.distance_m:.2f} m",
            f"{number_words(a.azimuth_deg, 0, sign=True)}° across, {number_words(a.elevation_deg, 0, sign=True)}° up",
            figure_words(seats.levels[a.loudspeaker, a.seat]),
            _headroom_words(seats.headroom[a.loudspeaker, a.seat]),
        )
        for a in seats.angles
    )
    aims = [aim if isinstance(aim, str) else aim.sentence for aim in seats.aims.values()]
    return table(
        "seats",
        rows,
        note=joined(
            true_minus(" ".join((*seats.sentences, *aims))),
            "Headroom is against 85 dB with peaks 20 dB above, in free field.",
        ),
    )
