"""``python -m sailanalysis``."""

from sailanalysis.cli import main

raise SystemExit(main())
