"""``python -m bottomheat``."""

from bottomheat.cli import main

if __name__ == "__main__":
    main()
