"""Start the program with ``python -m harness``."""

from harness.commands.app import main

if __name__ == "__main__":
    main()
