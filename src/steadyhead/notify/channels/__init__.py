"""The ways a message can go, one module each."""
