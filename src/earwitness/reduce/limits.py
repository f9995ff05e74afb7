"""The limits of the checks of recordings, from limits.toml."""

from collections.abc import Mapping
from types import MappingProxyType

from earwitness.files.data import table_of


def limits(name: str) -> Mapping[str, float]:
    """The limits of one check, by name."""
    return MappingProxyType(table_of("reduce", "limits")[name])
