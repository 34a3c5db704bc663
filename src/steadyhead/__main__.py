"""``python -m steadyhead``."""

from steadyhead.cli import main

if __name__ == "__main__":
    main()
