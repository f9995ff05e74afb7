"""A loudspeaker and a measuring session as validated facts."""
