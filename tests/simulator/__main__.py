"""``python -m simulator --out DIR`` writes the shipped example anew."""

from __future__ import annotations

import argparse
from pathlib import Path

from .cruise import write_cruise
from .demo import write_demo


def main() -> None:
    """Read the one option and write."""
    parser = argparse.ArgumentParser(prog="python -m simulator",
                                     description="Write the invented example day and cruise.")
    parser.add_argument("--out", required=True, help="folder to write into")
    out = Path(parser.parse_args().out)
    write_demo(out)
    write_cruise(out / "cruise")


if __name__ == "__main__":
    main()
