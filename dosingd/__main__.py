"""`python -m dosingd` is `dosingd`."""

from dosingd.cli import main

if __name__ == "__main__":
    main()
