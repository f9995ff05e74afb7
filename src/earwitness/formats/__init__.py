"""One outside file format a module: read into plain records and quantities, with limits."""
