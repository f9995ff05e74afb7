"""Keeps everything, computes nothing."""
