"""The console command. What needs no part of the program is answered before the rest is loaded."""

import sys


def main() -> None:
    """Run the program."""
    if sys.argv[1:] == ["--version"]:
        from breathmap.tools.base.version import version_line

        print(version_line())
        return
    from breathmap.tools.cli.main import main as run_main

    run_main()


if __name__ == "__main__":
    main()
