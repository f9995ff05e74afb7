"""Doubt about recordings and what is stated of them: each check takes data and gives flags."""
