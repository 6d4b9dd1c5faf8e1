"""Where `coldloop` and ``python -m ctrl`` start.

Only `sys` is imported before the ``try``: Ctrl-C while the rest is imported ends in one line too.
"""

import sys

INTERRUPTED = 130


def main() -> int:
    """Run the command line and return the exit status."""
    try:
        from ctrl.cli import main as run

        return run()
    except KeyboardInterrupt:
        sys.stderr.write("stopped\n")
        return INTERRUPTED


if __name__ == "__main__":
    sys.exit(main())
