"""The deck slip: the boat's own names, one page, nothing that runs."""

from sailanalysis.core.model import Boat, Names
from sailanalysis.report.slip import MOST, slip_names, slip_page


def test_the_boats_own_names_else_those_of_her_days():
    named = Boat("Wide Lantern", names=Names({"Marit": ()}, {"jib": (), "reacher": ("Code 0",)}))
    assert slip_names(named, ["Ada"], ["main+jib"]) == (["Marit"], ["jib", "reacher"])
    assert slip_names(Boat(), ["Ada", "autopilot", "Ada"], ["all", "main+jib", "main+reacher"]) == (
        ["Ada"], ["main", "jib", "reacher"])


def test_names_are_text_and_what_has_no_room_is_left_out():
    evil = "<script>alert(1)</script>"
    page = slip_page(Boat(evil, hull="catamaran"), [evil, *"abcdefghij"], [evil])
    assert "<script" not in page and "&lt;script&gt;" in page and "boards" in page
    assert page.count("<span>") == MOST + 1 + 4
    assert "A6" in page and "default-src 'none'" in page
    assert "boards" not in slip_page(Boat(hull="monohull"), [], [])
