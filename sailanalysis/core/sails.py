"""How a sail set is spelled: in one order, with the reefs it carries."""

from __future__ import annotations

import re

import numpy as np
from numpy.typing import NDArray

_MAIN = re.compile(r"main|mainsail|reefed main|full main", re.IGNORECASE)


def sail_set(text: str, reefs: str = "") -> str:
    """A sail set as it is always spelled.

    The mainsail comes first, the others follow in the order of the alphabet: ``jib + main`` and
    ``main+jib`` are one set. Reefs belong to the main.

    Parameters
    ----------
    text : str
        Sails joined by ``+``; empty where unknown.
    reefs : str
        Number of reefs as the crew log has it; empty or ``0`` for none.

    Returns
    -------
    str
        ``main 1 reef+jib``; a set without a main, or that names its reef, takes no other.
    """
    parts = [" ".join(part.split()) for part in text.split("+")]
    kept = list(dict.fromkeys(part for part in parts if part))
    mains = [part for part in kept if _MAIN.match(part)]
    others = sorted((part for part in kept if part not in mains), key=str.casefold)
    if mains and reefs.strip() not in ("", "0") and "reef" not in text.lower():
        count = reefs.strip()
        mains[0] += f" {count} {'reef' if count == '1' else 'reefs'}"
    return "+".join([*mains, *others])


def sail_sets(texts: NDArray[np.object_], reefs: NDArray[np.object_] | None = None
              ) -> NDArray[np.object_]:
    """Spell many sets, shape (n,); few of them differ.

    Parameters
    ----------
    texts, reefs : ndarray of str, shape (n,)
    """
    more = np.full(len(texts), "", dtype=object) if reefs is None else reefs
    known: dict[tuple[str, str], str] = {}
    out = np.empty(len(texts), dtype=object)
    for i, pair in enumerate(zip(texts, more, strict=True)):
        key = (str(pair[0] or ""), str(pair[1] or ""))
        if key not in known:
            known[key] = sail_set(*key)
        out[i] = known[key]
    return out
