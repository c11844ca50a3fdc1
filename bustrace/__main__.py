"""``python -m bustrace``."""

from bustrace.cli import main

if __name__ == "__main__":
    main()
