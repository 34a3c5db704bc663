"""Ways in for readings; foreign names, units and clocks stop here."""
