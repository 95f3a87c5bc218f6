"""Helming: what each helm's rudder did, what it cost, how smooth for the conditions.

`rate_helming` rates a day; `fit_usual` learns from a season's rows what such conditions ask for
on this boat, `rescore` scores old rows by it, `helm_progress` follows each helm through the days.
"""

from sailanalysis.helm.fit import AUTOPILOT, Usual
from sailanalysis.helm.pictures import Spectrum, Trace
from sailanalysis.helm.progress import change_seen, days_needed, helm_progress
from sailanalysis.helm.rate import HelmResult, rate_helming
from sailanalysis.helm.response import Response, Turning
from sailanalysis.helm.rows import HELM_COLUMNS
from sailanalysis.helm.rudder import RudderDrag
from sailanalysis.helm.usual import fit_usual, rescore

__all__ = [
    "AUTOPILOT", "HELM_COLUMNS", "HelmResult", "Response", "RudderDrag", "Spectrum", "Trace",
    "Turning", "Usual", "change_seen", "days_needed", "fit_usual", "helm_progress",
    "rate_helming", "rescore",
]
