"""Mending a loudspeaker's balance with an equalizer and with its aim."""
