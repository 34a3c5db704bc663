"""How good the names are on stations nobody tuned for: independent worlds, judged by leaving one out."""
