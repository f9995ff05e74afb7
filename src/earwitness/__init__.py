"""From raw loudspeaker recordings to a published review, with every number traceable."""

__version__ = "0.3.0"
