"""``donorfit`` and ``python -m donorfit``."""

import sys


def main() -> None:
    """Run the command line and leave with its exit code."""
    if sys.argv[1:] in ([], ["-h"], ["--help"]):
        from donorfit.cli.help_page import write_help  # noqa: PLC0415 - at once, without click

        sys.stdout.write(write_help())
        return
    from donorfit.cli.root import run  # noqa: PLC0415 - keeps importing this module cheap

    sys.exit(run(sys.argv[1:]))


if __name__ == "__main__":
    main()
