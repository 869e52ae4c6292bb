"""`python -m trimfit` and the console command."""

from trimfit.cli.app import main

if __name__ == "__main__":
    main()
