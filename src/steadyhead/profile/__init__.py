"""The learned normal of a station."""
