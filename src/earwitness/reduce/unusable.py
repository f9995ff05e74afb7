"""Which takes are left out of a reduction because a check judged them unusable."""

from collections.abc import Sequence

from earwitness.quantities import QualityFlag
from earwitness.reduce.plan import Plan

# Judged frequency by frequency: what lies in the noise is hidden, and the rest of the take holds.
_BY_FREQUENCY = ("snr",)


def unusable(flags: Sequence[QualityFlag], plan: Plan) -> frozenset[str]:
    """Ids of the sweep takes of the plan that a check rejected."""
    every = {take.id for take in (*plan.far, *plan.near, *plan.level)}
    rejected = [flag for flag in flags if flag.severity == "reject" and flag.id not in _BY_FREQUENCY]
    return frozenset(take for flag in rejected for take in flag.takes if take in every)
