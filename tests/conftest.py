"""Shared set-up: one BLAS thread, so that small solves are quick and results repeat."""

import os
import sys
from pathlib import Path

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")
sys.path.insert(0, str(Path(__file__).parent))

from hypothesis import HealthCheck, settings  # noqa: E402

# A busy machine is no fault of the code.
settings.register_profile("quiet", suppress_health_check=[HealthCheck.too_slow], deadline=None)
settings.load_profile("quiet")
