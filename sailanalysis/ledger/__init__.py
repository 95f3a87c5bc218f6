"""The day's ledger, from what she could have done to what she did, and exercises for the next day.

`make_ledger` gives the table; `Reference` is the well-sailed boat it is measured against.
`plan_day` sets exercises and checks those set before; `advice` is what a season says of them.
"""

from sailanalysis.ledger.account import LOSSES
from sailanalysis.ledger.exercises import (
    Check,
    Exercise,
    PracticeDay,
    Tomorrow,
    advice,
    plan_day,
)
from sailanalysis.ledger.keeping import advice_table, from_record, to_record
from sailanalysis.ledger.ledger import COLUMNS, AngleSailed, Ledger, Place, make_ledger
from sailanalysis.ledger.numbers import MEASURES, Number
from sailanalysis.ledger.reference import Reference, best_angles

__all__ = ["COLUMNS", "LOSSES", "MEASURES", "AngleSailed", "Check", "Exercise", "Ledger", "Number",
           "Place", "PracticeDay", "Reference", "Tomorrow", "advice", "advice_table",
           "best_angles", "from_record", "make_ledger", "plan_day", "to_record"]
