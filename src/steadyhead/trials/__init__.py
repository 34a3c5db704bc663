"""How good detection is, measured on cases made by the proving plant."""
