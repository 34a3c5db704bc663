"""Every parser of outside bytes, fed with bytes that nobody meant. ``python -m tests.fuzz`` says how to run it."""
