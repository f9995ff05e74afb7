"""What is shown, as values: charts, tables and captions."""
