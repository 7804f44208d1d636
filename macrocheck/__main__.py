"""The command `macrocheck`, and `python -m macrocheck`: the same program."""

import sys

STOPPED = "macrocheck: stopped; nothing half-written was left behind."


def main() -> None:
    """Run the command line; Ctrl-C while it is still being imported ends with a sentence too."""
    try:
        from macrocheck.cli import main as run
    except KeyboardInterrupt:
        sys.stderr.write(f"{STOPPED}\n")
        sys.exit(130)
    run()


if __name__ == "__main__":
    main()
