"""Doubt about recordings: each check a function from data to flags."""
