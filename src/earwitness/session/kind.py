"""The types of loudspeaker, apart from the models that hold them: a search asks for a type and needs no model."""

from typing import Literal, get_args

Type = Literal["stand-mount", "floor-stander", "in-wall", "on-wall", "center", "soundbar", "subwoofer", "monitor",
               "horn", "dipole", "line source", "other"]  # fmt: skip
TYPES: tuple[str, ...] = get_args(Type)
