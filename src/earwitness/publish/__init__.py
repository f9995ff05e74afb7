"""A review becomes files for strangers."""
