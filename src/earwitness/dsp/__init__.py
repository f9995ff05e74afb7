"""Arrays in, arrays out: general signal processing that knows no loudspeaker."""
