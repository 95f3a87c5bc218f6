"""True heading from what the log holds, and which north its compass means."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from sailanalysis.core.angles import Floats, wrap180, wrap360
from sailanalysis.core.errors import Finding
from sailanalysis.core.series import epoch_s
from sailanalysis.wind.variation import decimal_year, is_covered, variation_along

UNDER_WAY_KN = 2.0
"""Faster, the course over ground follows the bow."""


@dataclass(frozen=True)
class North:
    """Variation through the day and where it comes from.

    Attributes
    ----------
    variation_deg : ndarray, shape (n,)
        East positive; NaN where neither log nor model can tell.
    origin : {"log", "model", "none"}
    findings : tuple of Finding
    """

    variation_deg: Floats
    origin: str
    findings: tuple[Finding, ...]


def _column(samples: pd.DataFrame, name: str) -> Floats | None:
    """A column as floats; None when absent or empty."""
    if name not in samples:
        return None
    value = samples[name].to_numpy(dtype=float)
    return value if np.isfinite(value).any() else None


def find_north(samples: pd.DataFrame) -> North:
    """Variation from the log, else from the World Magnetic Model for place and date.

    A variation of zero all day where the model gives more than 1.5 deg was never set, or the
    heading is true already: the model's is used unless the track lies nearer the heading without
    it. Any other variation is the log's own word, and used, with a warning where it lies more
    than 3 deg from the model's (which is good to half a degree nearly everywhere at sea).
    """
    time = epoch_s(samples.index)
    lat, lon = _column(samples, "lat"), _column(samples, "lon")
    model = (variation_along(lat, lon, time) if lat is not None and lon is not None
             else np.full(time.shape, np.nan))
    has_model = bool(np.isfinite(model).any())
    logged = _column(samples, "variation_deg")
    if logged is not None:
        typical = float(np.nanmedian(logged))
        off = float(wrap180(typical - np.nanmedian(model))) if has_model else 0.0
        unset = float(np.nanmax(np.abs(logged))) == 0.0
        if not (unset and abs(off) > 1.5 and _brings_nearer(samples, -off)):
            return North(logged, "log", _doubt(typical, off))
    if not has_model:
        return North(np.full(time.shape, np.nan), "none", ())
    findings = []
    if logged is not None:
        findings.append(Finding(
            "variation-not-set", "The log's magnetic variation is zero all day; the World Magnetic "
            f"Model gives {float(np.nanmedian(model)):.1f} deg for this place and date and was "
            "used. Set the variation in the instruments.", channel="variation_deg"))
    if not is_covered(decimal_year(float(time[0]))):
        findings.append(Finding(
            "variation-model-date", "The log's date lies outside 2010-2030, for which the magnetic "
            "model holds; variation is carried on from the nearest model and may be 1 deg off.",
            level="note"))
    return North(model, "model", tuple(findings))


def _brings_nearer(samples: pd.DataFrame, variation_deg: float) -> bool:
    """Whether a variation brings the magnetic heading nearer the track, leeway and tide apart.

    True where the log cannot tell.
    """
    needed = ("hdg_mag_deg", "cog_deg", "sog_kn")
    hdg, cog, sog = (_column(samples, name) for name in needed)
    if hdg is None or cog is None or sog is None:
        return True
    off = wrap180(cog - hdg)[sog > UNDER_WAY_KN]
    off = off[np.isfinite(off)]
    if off.size < 60:
        return True
    return bool(abs(np.median(wrap180(off - variation_deg))) < abs(np.median(off)))


def _doubt(typical: float, off: float) -> tuple[Finding, ...]:
    """A warning where the log's variation is far from the model's."""
    if abs(off) <= 3.0:
        return ()
    return (Finding(
        "variation-doubtful", f"The log's magnetic variation is {typical:.1f} deg, {abs(off):.1f} "
        "deg from the World Magnetic Model's for this place and date. The log's was used; check "
        "the setting in the instruments.", channel="variation_deg"),)


def _of_two(true: Floats, magnetic: Floats, north: North, native_rate_hz: dict[str, float]
            ) -> tuple[Floats, list[Finding]]:
    """The better of a true heading and one made true; gaps of the one from the other."""
    from_magnetic = wrap360(magnetic + north.variation_deg)
    both = np.isfinite(true) & np.isfinite(from_magnetic)
    off = float(np.median(wrap180(true - from_magnetic)[both])) if both.any() else 0.0
    if abs(off) > 3.0:
        one_compass = _is_shifted_copy(true, magnetic)
        return (from_magnetic if one_compass else wrap360(true)), [Finding(
            "two-headings", f"The log's true heading differs from its magnetic heading corrected "
            f"for variation by {off:+.1f} deg; the {'magnetic' if one_compass else 'true'} one "
            "was used.", channel="hdg_deg")]
    better = (native_rate_hz.get("hdg_mag_deg", 0.0) > 1.5 * native_rate_hz.get("hdg_deg", 0.0)
              or np.isfinite(magnetic).sum() > 1.1 * np.isfinite(true).sum())
    first, second = (from_magnetic, wrap360(true)) if better else (wrap360(true), from_magnetic)
    return np.asarray(np.where(np.isfinite(first), first, second), dtype=float), []


def true_heading(
    samples: pd.DataFrame, north: North, native_rate_hz: dict[str, float]
) -> tuple[Floats, list[Finding]]:
    """True heading before the boat file's correction.

    Where the log has both, the magnetic heading is used when it is faster or covers more, or
    when the true one shows that the instruments add a wrong variation; else the true one. Gaps
    of the one are filled from the other.

    Returns
    -------
    hdg_deg : ndarray, shape (n,)
        In [0, 360).
    findings : list of Finding
    """
    true, magnetic = _column(samples, "hdg_deg"), _column(samples, "hdg_mag_deg")
    if magnetic is None or (north.origin == "none" and true is not None):
        return (np.full(len(samples), np.nan) if true is None else wrap360(true)), []
    if north.origin == "none":
        return wrap360(magnetic), [Finding(
            "magnetic-directions", "The log has a magnetic heading but neither variation nor "
            "position, so all directions in this report are magnetic.", channel="hdg_mag_deg")]
    if true is None:
        return wrap360(magnetic + north.variation_deg), []
    return _of_two(true, magnetic, north, native_rate_hz)


def _is_shifted_copy(true: Floats, magnetic: Floats) -> bool:
    """Whether the true heading is the magnetic one plus a constant: one compass, not two."""
    off = wrap180(true - magnetic)
    off = off[np.isfinite(off)]
    if off.size == 0:
        return False
    spread = wrap180(off - np.median(off))
    return bool(np.median(np.abs(spread)) < 0.6)
