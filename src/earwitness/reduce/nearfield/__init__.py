"""From close-up recordings of cones and ports to the far field at low frequencies, on the cabinet as it is."""
