"""A review as a folder of static HTML that opens from disk, without a network."""
