"""The HTTP side: one versioned API, its guards and problems, health, metrics and live events."""
