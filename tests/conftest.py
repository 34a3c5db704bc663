"""What holds for every test."""

from hypothesis import settings

# No test is timed: how long an example takes says more of what else the machine does.
settings.register_profile("suite", deadline=None)
settings.load_profile("suite")
