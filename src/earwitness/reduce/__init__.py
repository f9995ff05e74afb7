"""Recordings become responses in Pa/V, with trust and lineage."""
