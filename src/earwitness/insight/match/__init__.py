"""What a loudspeaker needs around it: amplifier, subwoofer, seats."""
