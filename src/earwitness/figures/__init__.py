"""Responses become the standard curves and single numbers."""
