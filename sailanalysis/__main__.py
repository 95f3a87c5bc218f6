"""``python -m sailanalysis``."""

from sailanalysis.app.cli import main

raise SystemExit(main())
