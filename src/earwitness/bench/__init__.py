"""The web bench: the whole job in a browser on this machine. A door like the command line, it calls app and shows."""
