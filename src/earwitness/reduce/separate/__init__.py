"""Anechoic responses from scans in ordinary rooms: outgoing waves are told from what the room sends back."""

from earwitness.reduce.separate.field import SeparatedField, far_pressure, far_u_db, pressure_at, response
from earwitness.reduce.separate.gated import separate_gated
from earwitness.reduce.separate.separation import Combined, Separation, combined, separate

__all__ = [
    "Combined",
    "SeparatedField",
    "Separation",
    "combined",
    "far_pressure",
    "far_u_db",
    "pressure_at",
    "response",
    "separate",
    "separate_gated",
]
