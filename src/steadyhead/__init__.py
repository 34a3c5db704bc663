"""Steadyhead: watches pressure-reducing valve stations from their logs and names what went wrong."""
