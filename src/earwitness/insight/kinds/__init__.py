"""What a loudspeaker of a kind is read for beside what every loudspeaker is."""
