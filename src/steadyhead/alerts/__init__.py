"""What leaves the house: the alert, its life and its JSON."""
