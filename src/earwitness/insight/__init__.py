"""What the curves mean and what to do about it: findings, remarks tested, mend, match."""
