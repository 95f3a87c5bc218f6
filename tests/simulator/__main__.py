"""``python -m simulator --out DIR`` writes the shipped example anew."""

from __future__ import annotations

import argparse

from .demo import write_demo


def main() -> None:
    """Read the one option and write."""
    parser = argparse.ArgumentParser(prog="python -m simulator",
                                     description="Write the invented example day.")
    parser.add_argument("--out", required=True, help="folder to write into")
    write_demo(parser.parse_args().out)


if __name__ == "__main__":
    main()
