"""The deck slip: one A6 page to note the day by hand, in the boat's own names."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from sailanalysis.core.model import Boat
from sailanalysis.report.page.safe import escape

MOST: Final = 8
"""Names of a kind that have room on the page."""


def slip_names(boat: Boat, helms: Sequence[str],
               sails: Sequence[str]) -> tuple[list[str], list[str]]:
    """The names to print: those of the boat file, else those that her days have.

    Parameters
    ----------
    boat : Boat
    helms, sails : sequence of str
        As they stand in the season's days; sail sets are taken apart.

    Returns
    -------
    helms, sails : list of str
    """
    seen = [one for name in sails for one in name.split("+")]
    return (list(boat.names.helms) or _each_once(helms),
            list(boat.names.sails) or _each_once(seen))


def _each_once(names: Sequence[str]) -> list[str]:
    nobody = ("", "all", "autopilot", "none")
    return [name for name in dict.fromkeys(names) if name not in nobody]


def slip_page(boat: Boat, helms: Sequence[str], sails: Sequence[str]) -> str:
    """The page.

    Parameters
    ----------
    boat : Boat
    helms, sails : sequence of str
        Names to tick off.

    Returns
    -------
    str
        Complete HTML, one A6 page when printed.
    """
    def row(label: str, names: Sequence[str]) -> str:
        shown = "".join(f"<span>{escape(name[:24])}</span>" for name in names[:MOST])
        return f"<p><b>{label}</b>{shown or '<span>&emsp;</span>'}</p>"

    lines = "".join("<tr><td></td><td></td></tr>" for _ in range(11))
    return _PAGE.format(
        boat=escape(boat.name or "Deck slip"), css=_CSS, lines=lines,
        rows=row("at the helm", [*helms, "pilot"]) + row("sails", sails)
        + row("also", ["engine on/off", "reef 1 2 0", *(["boards"] if boat.hull == "catamaran"
                                                        else []), "trim: what, how much"]))


_CSS: Final = """\
@page { size: A6 portrait; margin: 6mm; }
* { box-sizing: border-box; }
body { font: 9pt/1.25 system-ui, "Segoe UI", Roboto, Arial, sans-serif; color: #000;
  background: #fff; margin: 3mm auto; width: 93mm; max-width: 100%; }
header { display: flex; justify-content: space-between; gap: 3mm; border-bottom: 1pt solid #000; }
h1 { font-size: 12pt; margin: 0 0 1mm; overflow-wrap: anywhere; }
p { margin: 1mm 0; } b { display: inline-block; min-width: 20mm; font-weight: 600; }
span { display: inline-block; border: .5pt solid #555; border-radius: 1mm; padding: 0 1.2mm;
  margin: 0 1mm .6mm 0; overflow-wrap: anywhere; }
table { border-collapse: collapse; width: 100%; table-layout: fixed; }
th, td { border: .5pt solid #555; height: 6.4mm; text-align: left; padding: 0 1mm; }
th { font-weight: 400; }
th { height: 4.5mm; font-size: 7.5pt; } th:first-child { width: 17mm; }
footer { font-size: 7pt; margin-top: 1mm; }
"""
_PAGE: Final = """\
<!doctype html>
<html lang="en"><head><meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{boat} · deck slip</title><style>{css}</style></head>
<body><header><h1>{boat}</h1><div>date ___________</div></header>
{rows}
<table><thead><tr><th>time</th><th>what</th></tr></thead><tbody>{lines}</tbody></table>
<footer>Copied as plain lines (14:10 eased main 20 cm) into notes/, it is the day's crew log.
Lookout comes first.</footer></body></html>
"""
