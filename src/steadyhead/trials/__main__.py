"""``python -m steadyhead.trials``."""

from steadyhead.trials.commands import main

if __name__ == "__main__":
    main()
