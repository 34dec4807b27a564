"""`python -m canmap`: the command line."""

from canmap.cli.main import main

if __name__ == "__main__":
    main()
