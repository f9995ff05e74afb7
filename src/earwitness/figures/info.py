"""What is known of a figure before it is measured."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class FigureInfo:
    """What is known of a figure before it is measured.

    decimals : at most so many are printed, whatever the uncertainty; method : the rule in one sentence
    anchor : heading in the figures reference of the documentation; curves : keys of the curves it is taken from
    """

    key: str
    name: str
    unit: str
    decimals: int
    method: str
    anchor: str
    curves: tuple[str, ...]
