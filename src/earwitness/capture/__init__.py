"""Live measuring: sound card, levels, safety, takes. See docs/live-measuring.md."""
