"""Exhibit: every figure with its uncertainty, band and method, or the reason why there is none."""

from earwitness.exhibits.chart import Table, table
from earwitness.exhibits.words import COVERAGE_SENTENCE, band_words, figure_words, sentence, true_minus
from earwitness.figures.registry import FIGURES, base_key, info_of, place_of
from earwitness.quantities import Figure, Reading

SIGNED = frozenset(key for key, info in FIGURES.items() if info.is_signed)


def figure_name(key: str) -> str:
    """Words for a figure's key: plain words, then the trade's term."""
    info, base, place = info_of(key), base_key(key), place_of(key)
    term = info.name if info is not None else base.replace("_", " ")
    term = term.replace(" (", ", ").replace(")", "")
    words = f"{info.plain} ({term})" if info is not None and info.plain else term[:1].upper() + term[1:]
    return f"At {place}: {words[0].lower()}{words[1:]}" if place else words


def ordered_figures(reading: Reading) -> tuple[Figure, ...]:
    """All figures of a reading, in the registry's order."""
    order = {key: place for place, key in enumerate(FIGURES)}
    keys = sorted(reading.figures, key=lambda key: order.get(base_key(key), len(order)))
    return tuple(reading.figures[key] for key in keys)


def figures_table(reading: Reading) -> Table:
    """All figures of a reading, in the registry's order; those not judged say why in the place of the value."""
    return table(
        "figures", tuple(_row(figure.key, figure) for figure in ordered_figures(reading)), coverage=COVERAGE_SENTENCE
    )


def method_words(figure: Figure) -> str:
    """Method and caveats of a figure as sentences."""
    return true_minus(" ".join(sentence(part) for part in (figure.method, *figure.caveats) if part))


def _row(key: str, figure: Figure) -> tuple[str, str, str, str]:
    # Not in `figure_words`: words are compared from one publication to the next, and a new sign would be a correction.
    value = true_minus(figure_words(figure, sign=key in SIGNED))
    return figure_name(key), value, band_words(figure.band_hz) or "no band", method_words(figure)
