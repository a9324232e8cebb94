"""``python -m gapscan``."""

from gapscan.cli.main import main

if __name__ == "__main__":
    main()
