"""`python -m stager`: the same as the command."""

from stager.cli import main

if __name__ == "__main__":
    main()
