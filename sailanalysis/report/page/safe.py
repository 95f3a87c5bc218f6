"""Text from logs, crew notes and file names is data: made harmless for each place it goes to."""

from __future__ import annotations

import base64
import html
import json
import math
from typing import Any

import numpy as np

_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "|", "%")
"""First characters that spreadsheets take for a formula or a command (OWASP, CSV Injection)."""


_FORBIDDEN = {code: " " for code in range(32) if chr(code) not in "\n\t"}


def safe_cell(value: Any) -> Any:
    """A table cell that no spreadsheet runs as a formula; numbers pass unchanged.

    Text that starts with a formula character gets an apostrophe in front, which spreadsheets
    read as "this is text". A plain number written as text stays as it is.

    Parameters
    ----------
    value : object

    References
    ----------
    .. [1] OWASP, "CSV Injection", https://owasp.org/www-community/attacks/CSV_Injection.
    """
    if not isinstance(value, str) or not value:
        return value
    if value.lstrip(" \u00a0\ufeff").startswith(_FORMULA) or value.startswith(_FORMULA):
        try:
            # A spreadsheet reads these as the numbers they are.
            if math.isfinite(float(value)) and "_" not in value:
                return value
        except ValueError:
            pass
        return "'" + value
    return value


def escape(text: Any) -> str:
    """HTML text or attribute value; control characters that HTML forbids become spaces."""
    return html.escape(str(text).translate(_FORBIDDEN), quote=True)


def _plain(value: Any) -> Any:
    if isinstance(value, np.ndarray):
        if value.dtype.kind in "OUS":
            return [_plain(v) for v in value.tolist()]
        code = {"float64": "f8", "float32": "f4", "int16": "i2", "int32": "i4", "uint8": "u1",
                "int8": "i1", "uint16": "u2"}.get(value.dtype.name)
        if code is None or value.ndim != 1:
            return [_plain(v) for v in value.tolist()]
        little = value.astype(value.dtype.newbyteorder("<"))
        return {"dtype": code, "bdata": base64.b64encode(little.tobytes()).decode("ascii")}
    if isinstance(value, dict):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(v) for v in value]
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def script_json(value: Any) -> str:
    """JSON that may stand inside a ``<script>`` element: no ``<``, ``>`` or ``&`` survives.

    Numpy arrays become typed-array records (base64, little-endian), NaN becomes null.
    """
    text = json.dumps(_plain(value), ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    for char, code in (("<", "\\u003c"), (">", "\\u003e"), ("&", "\\u0026"),
                       ("\u2028", "\\u2028"), ("\u2029", "\\u2029")):
        text = text.replace(char, code)
    return text
