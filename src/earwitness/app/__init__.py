"""The acts of the program: one function an act, for the command line and the web bench alike."""
