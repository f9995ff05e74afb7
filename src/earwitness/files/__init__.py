"""Writing files and folders so that they are there whole or not at all."""
