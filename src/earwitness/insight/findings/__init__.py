"""Deviations of a loudspeaker's response: found at all scales, told apart by direction, ranked, put into words."""

from earwitness.insight.findings.finding import EQUALIZABLE, KINDS, Finding, Kind
from earwitness.insight.findings.search import find
from earwitness.insight.findings.sentences import sentences

__all__ = ["EQUALIZABLE", "KINDS", "Finding", "Kind", "find", "sentences"]
