"""The words of the vocabulary as a listening sheet knows them."""

from earwitness.insight.listening.attributes import attribute_words
from earwitness.insight.words import VOCABULARY
from earwitness.session.notes import HeardWord

_OF_TEXTURE = (HeardWord("smooth", 1000.0, 10_000.0, "even"), HeardWord("coarse", 1000.0, 10_000.0, "uneven"))
"""Words that tell of no rise or fall but of its absence or its many; common practice, no source."""


def heard_words() -> dict[str, HeardWord]:
    """Every word a remark may use, by itself in lower case; in the order of the vocabulary."""
    known = [HeardWord(w.name, w.low_hz, w.high_hz, w.direction) for w in VOCABULARY]
    return {w.word.casefold(): w for w in (*known, *_OF_TEXTURE, *attribute_words())}
