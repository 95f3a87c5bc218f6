"""Unit conversions; exact by definition unless a source is named.

House units are knots, degrees, metres and seconds. A formula that needs SI converts inside.
"""

from __future__ import annotations

from typing import Final

KN_TO_MS: Final = 1852.0 / 3600.0
MS_TO_KN: Final = 3600.0 / 1852.0
KMH_TO_KN: Final = 1000.0 / 1852.0
MPH_TO_KN: Final = 1609.344 / 1852.0
FOOT_M: Final = 0.3048
FATHOM_M: Final = 6 * 0.3048
GRAVITY_M_S2: Final = 9.80665
"""Standard gravity, exact by definition (3rd CGPM, 1901)."""
SEAWATER_KG_M3: Final = 1025.0
"""Round value for sea water near the surface; TEOS-10 gives 1025.98 at 15 degC, 35 psu."""
