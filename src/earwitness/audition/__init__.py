"""What the data sound like: signals in, signals out. Filters, loudness, material, versions."""
