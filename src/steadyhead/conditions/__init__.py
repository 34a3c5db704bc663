"""One module per condition: what it asks of a station, and what it is told from."""
