"""One module per family of figures; each turns a span of ticks into values in working units."""
