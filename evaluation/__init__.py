"""How good the names are on stations nobody tuned for: worlds of independent make, and judging by leaving one out."""
