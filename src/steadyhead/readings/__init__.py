"""From cleaned columns to the ticks that are judged."""
