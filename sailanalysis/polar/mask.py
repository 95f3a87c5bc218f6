"""Where the polar may speak: only where the boat was sailed, or in a narrow gap between.

A point of the lattice is *measured* where there is a minute or more of steady sailing within
2.5 deg and 1 kn of it; *interpolated* where it lies in a gap of at most 15 deg or 4 kn that is
enclosed by measured points (a morphological closing, which never reaches outside them).
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from sailanalysis.core.angles import Floats

LEAST_SECONDS: Final = 60.0
HALF_WIND_KN: Final = 1.0
_GAP_ANGLE_DEG: Final = 15.0
_GAP_WIND_KN: Final = 4.0


def lattice_tws_kn(tws_kn: Floats) -> Floats:
    """Wind speeds of the lattice, every 0.5 kn, around the winds met."""
    low = np.floor((np.min(tws_kn) - HALF_WIND_KN) * 2.0) / 2.0
    high = np.ceil((np.max(tws_kn) + HALF_WIND_KN) * 2.0) / 2.0
    return np.arange(max(low, 0.0), high + 0.25, 0.5)


def seconds_near(tws_kn: Floats, twa_deg: Floats, seconds: Floats, lattice: Floats) -> Floats:
    """Steady sailing within the half widths of every lattice point.

    Returns
    -------
    ndarray, shape (tws, 181)
        The angle is mirrored at 180 deg, so a cell astride it counts both sides.
    """
    rows = lattice.size
    # bins of 0.5 kn by 0.5 deg whose edges lie on the lattice; 2.5 deg = 5 bins, 1 kn = 2 bins
    i = np.floor((tws_kn - lattice[0]) / 0.5).astype(np.int64) + 2
    j = np.floor(np.abs(twa_deg) / 0.5).astype(np.int64)
    j = np.minimum(j, 359) + 5
    ok = (i >= 0) & (i < rows + 4)
    grid = np.zeros((rows + 4, 371))
    np.add.at(grid, (i[ok], j[ok]), seconds[ok])
    grid[:, 365:370] += grid[:, 360:365][:, ::-1]
    total = np.zeros((rows + 5, 372))
    total[1:, 1:] = grid.cumsum(axis=0).cumsum(axis=1)
    low_i = np.arange(rows)
    low_j = np.arange(181) * 2
    a, b = low_i[:, None], low_j[None, :]
    return total[a + 4, b + 10] - total[a, b + 10] - total[a + 4, b] + total[a, b]


def support(tws_kn: Floats, twa_deg: Floats, seconds: Floats,
            lattice: Floats) -> tuple[NDArray[np.int8], Floats]:
    """Basis (2 measured, 1 interpolated, 0 none) and seconds of every lattice point."""
    from scipy.ndimage import binary_closing

    near = seconds_near(tws_kn, twa_deg, seconds, lattice)
    measured = near >= LEAST_SECONDS - 1e-6
    ra, rt = int(_GAP_ANGLE_DEG // 2), round(_GAP_WIND_KN / 2 / 0.5)
    y, x = np.mgrid[-rt : rt + 1, -ra : ra + 1]
    disc = (x / max(ra, 1)) ** 2 + (y / max(rt, 1)) ** 2 <= 1.0 + 1e-9
    padded = np.pad(measured, ((rt, rt), (0, 0)))
    padded = np.concatenate([np.zeros((padded.shape[0], ra), bool), padded,
                             padded[:, -2 : -2 - ra : -1]], axis=1)
    closed = binary_closing(padded, structure=disc)[rt : rt + lattice.size, ra : ra + 181]
    basis = np.where(measured, 2, np.where(closed, 1, 0)).astype(np.int8)
    basis[:, 0] = 0  # head to wind is no point of sail
    return basis, near
