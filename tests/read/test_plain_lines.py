"""Crew logs as people write them: plain lines, German and English, in the boat's own names."""

import pytest
from seas.cards import at, log, put

from sailanalysis.core.errors import BoatFileError
from sailanalysis.core.model import Names
from sailanalysis.read import read_days
from sailanalysis.read.recognise import recognise
from sailanalysis.read.written.boatfile import read_boat_file, read_boat_file_with_findings
from sailanalysis.read.written.crewlog import read_crew_log
from sailanalysis.read.written.plain import match_name
from sailanalysis.read.written.words import read_phrase

NAMES = Names({"Marit": ("M",), "Jonas": ()}, {"main": ("Groß",), "jib": ("Fock",), "reacher": ()})
HOURS = {"day_start_s": at(2, 9), "day_end_s": at(2, 17)}

PHRASES = {
    "reef 1": ("reef", "1"), "1. Reff": ("reef", "1"), "second reef": ("reef", "2"), "Reff raus": ("reef", "0"),
    "engine on": ("engine", "on"), "Motor aus": ("engine", "off"), "Maschine gestartet": ("engine", "on"),
    "engines off": ("engine", "off"), "autopilot": ("helm", "autopilot"), "Jonas steuert": ("helm", "Jonas"),
    "helm: Marit": ("helm", "Marit"), "Jonas at the helm": ("helm", "Jonas"),
    "reacher up": ("sails", "reacher"), "Genua eingerollt": ("sails", "genua"), "hoisted main": ("sails", "main"),
    "sails main+jib": ("sails", "main+jib"), "eased main 20 cm": ("trim", "eased main 20 cm"),
    "Großschot dichter": ("trim", "Großschot dichter"), "Holepunkt zwei Löcher vor": ("trim", "Holepunkt zwei Löcher vor"),
    "port board down": ("boards", "port board down"), "Schwerter hoch": ("boards", "Schwerter hoch"),
    "getankt diesel 80 l": ("fill", "diesel 80"), "Welle 1 m": ("sea", "1 m"), "load 250 kg": ("load", "250"),
    "IMG_0412.jpg": ("photo", "IMG_0412.jpg"), "Ziel: ruhiger wenden": ("aim", "ruhiger wenden"),
}


@pytest.mark.parametrize("phrase", PHRASES)
def test_the_trades_words(phrase):
    found = read_phrase(phrase)
    assert (found.item, found.value) == PHRASES[phrase]


@pytest.mark.parametrize("phrase", ["dolphins", "Kaffee und Kuchen", "anchored off the island", "wind is dying"])
def test_other_words_are_no_item(phrase):
    assert read_phrase(phrase) is None


def entries(tmp_path, text, names=NAMES):
    crew, findings = read_crew_log(put(tmp_path, "notes.txt", text.encode()), names=names, **HOURS)
    return [(e.time_s, e.item, e.value) for e in crew.entries], findings, crew


def test_a_day_in_plain_lines(tmp_path):
    found, findings, crew = entries(tmp_path, """
0918 Marit, reacher up
9:33 reef 1
14.10 eased main 20 cm
14:12 dolphins!
15:00 jonas, Fock gesetzt, reacher weg
""")
    assert found == [
        (at(2, 9, 18), "helm", "Marit"), (at(2, 9, 18), "sails", "reacher"), (at(2, 9, 33), "reef", "1"),
        (at(2, 14, 10), "trim", "eased main 20 cm"), (at(2, 14, 12), "note", "dolphins!"),
        (at(2, 15), "helm", "Jonas"), (at(2, 15), "sails", "jib")]
    assert not findings
    assert crew.entries[3].note == "eased main 20 cm" and crew.entries[3].origin == "notes.txt line 4"


def test_sails_named_once_and_handled_after(tmp_path):
    found, _, _ = entries(tmp_path, "10:00 Segel Groß + Fock\n11:00 Fock weg, reacher up\n12:00 reacher down\n")
    assert [value for _, item, value in found if item == "sails"] == ["main+jib", "main+reacher", "main"]


def test_lines_under_a_date_are_of_that_day(tmp_path):
    found, _, _ = entries(tmp_path, "Samstag, 02.05.2026\n10:00 Motor an\n2026-05-01\n10:00 Motor aus\n")
    assert found == [(at(1, 10), "engine", "off"), (at(2, 10), "engine", "on")]


def test_a_line_without_a_time_belongs_to_the_one_before(tmp_path):
    found, findings, _ = entries(tmp_path, "10:00 Motor an\n11:00 Jonas\nsaw a whale\n")
    assert found[-1] == (at(2, 11), "note", "saw a whale") and not findings


def test_names_settle_by_case_spelling_and_small_slips():
    assert match_name("marit", NAMES.helms) == "Marit" and match_name("M", NAMES.helms) == "Marit"
    assert match_name("Jonsa", NAMES.helms) == "Jonas" and match_name("Ada", NAMES.helms) == ""


def test_the_table_form_settles_names_too(tmp_path):
    path = put(tmp_path, "crew.csv", "time,item,value\n10:00,helm,marit\n10:05,sails,Groß + fock\n10:10,photo,a.jpg\n"
               "10:12,reef,first\n10:14,aim,fewer tacks\n10:16,reef,many\n".encode())
    crew, findings = read_crew_log(path, names=NAMES, **HOURS)
    assert [(e.item, e.value) for e in crew.entries] == [
        ("helm", "Marit"), ("sails", "main+jib"), ("photo", "a.jpg"), ("reef", "1"), ("aim", "fewer tacks")]
    assert [e.origin for e in crew.entries][:2] == ["crew.csv line 2", "crew.csv line 3"]
    assert "line 7: reef 'many'" in findings[0].message


@pytest.mark.parametrize("head, kind", [
    (b"0918 Marit, reacher up\n9:33 reef 1\n14.10 eased main 20 cm\n", "crew log"),
    (b"Samstag, 02.05.2026\n10:00 Motor an\n", "crew log"),
    (b"Dear diary,\nwe sailed at 10:00.\n", "unknown"),
    (b"time,BSP\n10:00:00,6.1\n10:00:01,6.2\n", "csv"),
    (b"10:00:00,6.1,4\n10:00:01,6.2,4\n10:00:02,6.2,4\n", "csv"),
])
def test_plain_lines_are_known_by_their_content(head, kind):
    assert recognise(head) == kind


def test_notes_and_boat_in_a_folder_of_logs_in_the_boats_own_time(tmp_path):
    put(tmp_path, "log.nmea", log(at(2, 10), 90))
    put(tmp_path, "boat.toml", b'[boat]\nzone = "Europe/Paris"\nhull = "catamaran"\n'
        b'[names]\nhelms = ["Marit", "Jonas"]\nsails = { reacher = ["Code 0"] }\n')
    put(tmp_path, "notes.txt", b"12:15 Marit, code 0 up\n")
    day = read_days(tmp_path).days[0]
    assert day.boat.hull == "catamaran"
    assert [(e.time_s, e.item, e.value) for e in day.crew.entries] == [
        (at(2, 10, 15), "helm", "Marit"), (at(2, 10, 15), "sails", "reacher")]  # two hours ahead of UTC


def test_boat_file_says_what_it_does_not_know(tmp_path):
    path = put(tmp_path, "boat.toml", b'[boat]\nhull = "canoe"\nzone = "Mars"\n[names]\nhelms = 3\n')
    with pytest.raises(BoatFileError, match=r"hull.*monohull, catamaran, trimaran.*zone.*Mars.*helms"):
        read_boat_file(path)
    path.write_bytes(b'[names]\nhelms = ["Ada"]\ndogs = ["Rex"]\n')
    boat, findings = read_boat_file_with_findings(path)
    assert boat.names.helms == {"Ada": ()} and "dogs" in findings[0].message
