"""The day's ledger: from what she could have done to what she did, item by item.

`make_ledger` gives the table; `Reference` is the well-sailed boat it is measured against.
"""

from sailanalysis.ledger.account import LOSSES
from sailanalysis.ledger.ledger import COLUMNS, AngleSailed, Ledger, Place, make_ledger
from sailanalysis.ledger.reference import Reference, best_angles

__all__ = ["COLUMNS", "LOSSES", "AngleSailed", "Ledger", "Place", "Reference", "best_angles",
           "make_ledger"]
