"""A boat's folder and the evening in it: what is new is taken, made and filed, once."""

import hashlib
import os
import signal
import subprocess
import sys
import time
from argparse import Namespace
from pathlib import Path

import pytest
from seas.cards import at, days_on, log, put

from sailanalysis.app import evening as evenings
from sailanalysis.app import opening
from sailanalysis.app.boat_folder import BoatFolder, boat_file_text, boat_name, find_boat_folder
from sailanalysis.app.cli import main
from sailanalysis.app.notes import _in_name, _linked
from sailanalysis.core.errors import SailAnalysisError
from sailanalysis.core.progress import Progress
from sailanalysis.core.staging import copied
from sailanalysis.read.written.boatfile import read_boat_file_with_findings
from sailanalysis.season import Archive

DATES = ["2026-05-02", "2026-05-03", "2026-05-04"]


def ran(capsys, *words):
    status = main([*map(str, words)])
    said = capsys.readouterr()
    assert "Traceback" not in said.err
    if status:
        print(said.err)
    return status, said.out.splitlines(), said.err.splitlines()


@pytest.fixture
def here(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(opening, "has_display", lambda: False)
    assert main(["new-boat", "quiet-fathom"]) == 0
    return tmp_path


def contents(folder):
    return {str(p.relative_to(folder)): hashlib.sha256(p.read_bytes()).hexdigest()
            for p in folder.rglob("*") if p.is_file()}


def test_a_new_boats_file_is_read_without_a_remark_and_nothing_is_overwritten(tmp_path, capsys):
    folder = tmp_path / "quiet-fathom"
    assert ran(capsys, "new-boat", folder)[0] == 0
    boat, findings = read_boat_file_with_findings(folder / "boat.toml")
    assert boat.name == "Quiet Fathom" and not findings
    assert {p.name for p in folder.iterdir()} == {"boat.toml", "logs", "notes", "season", "reports"}
    (folder / "boat.toml").write_text("[boat]\nname = 'Mine'\n")
    put(folder / "notes", "a.txt", b"kept")
    (folder / "reports").rmdir()
    _, lines, _ = ran(capsys, "new-boat", folder)
    assert "reports/" in lines[0] and "boat.toml" not in lines[0]
    assert (folder / "boat.toml").read_text() == "[boat]\nname = 'Mine'\n"


def test_every_line_of_the_boat_file_may_be_filled_in(tmp_path):
    """All that stands behind # is valid when the # is taken away."""
    text = "\n".join(line[2:] if line[:2] == "# " and ("=" in line.split("#")[1] or line[2] == "[")
                     else line for line in boat_file_text('A "quoted" name').split("\n"))
    path = put(tmp_path, "boat.toml", text.encode())
    boat, findings = read_boat_file_with_findings(path)
    assert not findings and boat.name == 'A "quoted" name' and boat.hull == "catamaran"
    assert boat.names.sails["reacher"] == ("Code 0",) and boat.tanks["fuel_port"].capacity_l == 300


@pytest.mark.parametrize(("folder", "name"), [
    ("quiet-fathom", "Quiet Fathom"), ("Grace of Ada", "Grace of Ada"), ("s_y_marit", "S Y Marit")])
def test_a_folder_names_its_boat(folder, name):
    assert boat_name(Path(folder)) == name


def test_which_boats_folder_is_meant(here):
    assert find_boat_folder(None, Path()).path == Path("quiet-fathom")
    assert find_boat_folder(None, here / "quiet-fathom" / "logs").path == here / "quiet-fathom"
    main(["new-boat", "second"])
    with pytest.raises(SailAnalysisError, match=r"several.*quiet-fathom, second"):
        find_boat_folder(None, Path())
    with pytest.raises(SailAnalysisError, match="new-boat"):
        find_boat_folder("logs-of-nobody", Path())


def test_three_days_on_a_card_one_with_notes_and_a_second_time_nothing(here, capsys):
    days_on(here / "card", minutes=20)
    put(here / "card", "words.txt", b"10:19 Marit steers\n10:11 Jonas steuert\n10:03 Ada steers\n")
    put(here / "card", "read me.html", b"<html>")
    before = contents(here / "card")
    status, lines, _ = ran(capsys, "evening", "card", "--quiet")
    assert status == 0 and len(lines) == 3
    assert lines[0] == "taken in: 3 logs and 1 file of notes; left there: read me.html"
    assert lines[1].startswith("3 days, 2026-05-02 to 2026-05-04")
    folder = here / "quiet-fathom"
    assert contents(here / "card") == before, "copied, never moved"
    assert sorted(p.name for p in (folder / "logs").iterdir()) == ["2.nmea", "3.nmea", "4.nmea"]
    assert [p.name for p in (folder / "notes").iterdir()] == ["2026-05-02 to 2026-05-04 words.txt"]
    assert (folder / "reports/season/season.html").exists()
    archive = Archive(folder / "season")
    assert list(archive.days()["date"]) == DATES
    for date, helm in zip(DATES, ("Marit", "Jonas", "Ada"), strict=True):
        assert (folder / "reports" / date / "report.html").exists()
        assert set(archive.load(archive.match(date)[0]).samples()["helm"].astype(str)) - {""} == {helm}

    after = contents(folder)
    for words in (("card",), ()):
        status, lines, _ = ran(capsys, "evening", *words, "--quiet")
        assert status == 0 and lines[0].startswith("nothing new")
        assert str(Path("quiet-fathom/reports/2026-05-04/report.html")) in lines[1]
    assert contents(folder) == after


@pytest.mark.slow
def test_a_lost_record_costs_time_and_changes_nothing(here, capsys):
    days_on(here / "card", minutes=8)
    ran(capsys, "evening", "card", "--quiet")
    folder = here / "quiet-fathom"
    (folder / ".evening.json").write_text('{"edition": 1, "days": 7}')
    filed = contents(folder / "season")
    status, lines, _ = ran(capsys, "evening")
    assert status == 0 and "3 days" in lines[1]
    assert {k: v for k, v in contents(folder / "season").items() if "days" in k} == {
        k: v for k, v in filed.items() if "days" in k}


@pytest.mark.slow
def test_the_afternoons_log_joins_the_mornings_day(here, capsys):
    put(here / "am", "1.nmea", log(at(2, 9), 8))
    put(here / "pm", "1.nmea", log(at(2, 14), 8, lon=7.1))
    ran(capsys, "evening", "am", "--quiet")
    status, lines, _ = ran(capsys, "evening", "pm")
    assert status == 0 and lines[1].startswith("2026-05-02")
    archive = Archive(here / "quiet-fathom/season")
    assert len(archive.days()) == 1
    assert len({r.path for r in archive.raw_files(archive.match("2026-05-02")[0])}) == 2, "two logs of one name"
    assert {p.name for p in (here / "quiet-fathom/logs").iterdir()} == {"1.nmea", "1-2.nmea"}


@pytest.mark.slow
def test_notes_put_into_the_folder_later_make_their_day_anew_and_no_other(here, capsys):
    days_on(here / "card", minutes=8)
    ran(capsys, "evening", "card", "--quiet")
    folder = here / "quiet-fathom"
    put(folder / "notes", "later.txt", b"3.5.2026\n10:05 Marit steuert, Motor aus\n")
    pages = {d: (folder / "reports" / d / "report.html").stat().st_mtime_ns for d in DATES}
    status, lines, _ = ran(capsys, "evening")
    assert status == 0 and lines[0] == "taken in: notes that were changed"
    assert lines[1].startswith("2026-05-03")
    changed = [d for d in DATES if (folder / "reports" / d / "report.html").stat().st_mtime_ns != pages[d]]
    assert changed == ["2026-05-03"]
    assert "Marit" in set(Archive(folder / "season").load("2026-05-03-1000").samples()["helm"].astype(str))


@pytest.mark.slow
def test_what_cannot_be_read_is_said_and_the_rest_goes_on(here, capsys):
    days_on(here / "card", minutes=8)
    put(here / "card", "5.nmea", b"$GPRMC,broken\r\n" * 50)
    status, lines, _ = ran(capsys, "evening", "card", "--quiet")
    assert status == 0 and "3 days" in lines[1]
    status, lines, errors = ran(capsys, "evening", "no-card", "--quiet")
    assert status == 1 and "no-card" in errors[0] and len(errors) == 1


def test_a_users_file_is_never_overwritten_by_a_copy(tmp_path):
    source = put(tmp_path / "card", "1.nmea", b"new")
    put(tmp_path / "logs", "1.nmea", b"old")
    assert copied(source, tmp_path / "logs", "1.nmea").name == "1-2.nmea"
    assert copied(source, tmp_path / "logs", "1.nmea").name == "1-3.nmea"
    assert (tmp_path / "logs/1.nmea").read_bytes() == b"old"
    (tmp_path / "logs/.unfinished-999999-abcdef01").write_bytes(b"half")
    copied(source, tmp_path / "logs", "2.nmea")
    assert not list((tmp_path / "logs").glob(".unfinished*"))


def test_dates_in_names():
    assert _in_name("2026-07-14 crew.txt") == {"2026-07-14"}
    assert _in_name("2026-07-14 to 2026-07-16 crew.txt") == {"2026-07-14", "2026-07-15", "2026-07-16"}
    assert _in_name("20260714.txt") == {"2026-07-14"} and _in_name("log 12.txt") == set()
    assert _in_name("2026-13-40.txt") == set()
    assert _linked([frozenset("ab"), frozenset("cd"), frozenset("bc")]) == [set("abcd")]


def test_watching_waits_until_a_file_is_whole(here, capsys, monkeypatch):
    whole = log(at(2, 10), 8)
    card = here / "card"
    states = iter([None, whole[:20000], whole[:40000], whole, None, None, None])

    def next_state(_seconds):
        data = next(states)
        if data is not None:
            put(card, "1.nmea", data)

    options = Namespace(logs=["card"], boat_folder=None, watch=True, no_open=True, private=False,
                        plotly_beside=False, quiet=True)
    made = []
    real = evenings.one_evening
    monkeypatch.setattr(evenings, "one_evening", lambda *a: made.append(1) or real(*a))
    evenings.watch(options, BoatFolder(Path("quiet-fathom")), Progress(), rounds=7, sleep=next_state)
    said = capsys.readouterr().out
    assert said.count("taken in: 1 log") == 1
    assert (here / "quiet-fathom/logs/1.nmea").read_bytes() == whole


def test_no_page_is_opened_without_a_display(monkeypatch):
    import webbrowser

    monkeypatch.setattr(webbrowser, "open", lambda *_: pytest.fail("opened"))
    monkeypatch.setattr(sys, "platform", "linux")
    for name in ("DISPLAY", "WAYLAND_DISPLAY"):
        monkeypatch.delenv(name, raising=False)
    assert not opening.open_page(Path("a.html"))
    monkeypatch.setenv("DISPLAY", ":0")
    monkeypatch.setenv("SSH_CONNECTION", "192.0.2.1 1 192.0.2.2 22")
    assert not opening.open_page(Path("a.html"))


@pytest.mark.slow
def test_a_fleet_on_one_page_and_a_folder_without_days_costs_only_itself(here, capsys):
    days_on(here / "card", minutes=8, days=[2, 3])
    main(["new-boat", "second"])
    ran(capsys, "evening", "card", "--quiet", "--boat-folder", "quiet-fathom")
    ran(capsys, "evening", "card/2.nmea", "--quiet", "--boat-folder", "second")
    status, lines, _ = ran(capsys, "fleet", "quiet-fathom", "second", "--out", "fleet")
    assert status == 0 and lines == ["fleet/fleet.html"]
    rows = (here / "fleet/fleet.csv").read_text().splitlines()
    assert rows[1].startswith("Quiet Fathom,2,2026-05-02,2026-05-03") and rows[2].startswith("Second,1,")
    main(["new-boat", "third"])
    status, _, errors = ran(capsys, "fleet", "quiet-fathom", "third", "--out", "fleet")
    assert status == 1 and any("third" in line for line in errors)


def test_notebooks_are_copied_and_never_over_ones_own(tmp_path, capsys):
    status, lines, _ = ran(capsys, "notebooks", tmp_path / "nb")
    assert status == 0 and len(lines) == len(list((tmp_path / "nb").glob("*.ipynb"))) == 3
    Path(lines[0]).write_text("mine")
    status, lines, _ = ran(capsys, "notebooks", tmp_path / "nb")
    assert status == 0 and "left as they are" in lines[0] and sum(
        p.read_text() == "mine" for p in (tmp_path / "nb").iterdir()) == 1


@pytest.mark.slow
def test_killed_half_way_nothing_is_lost_and_the_next_evening_ends_it(here, capsys):
    days_on(here / "card", minutes=8)
    card, folder = contents(here / "card"), here / "quiet-fathom"
    put(folder / "reports" / "2026-05-03", "mine.txt", b"kept")
    for delay in (0.9, 1.3, 1.7, 2.1, 2.6, 3.2, 4.0):
        child = subprocess.Popen([sys.executable, "-m", "sailanalysis", "evening", "card", "--quiet"],
                                 stdout=subprocess.DEVNULL, env=os.environ | {"SSH_CONNECTION": "x"})
        time.sleep(delay)
        child.send_signal(signal.SIGKILL)
        child.wait()
        assert contents(here / "card") == card
    status, _, _ = ran(capsys, "evening", "card", "--quiet")
    assert status == 0 and list(Archive(folder / "season").days()["date"]) == DATES
    assert not Archive(folder / "season").check()
    assert len(list((folder / "logs").iterdir())) == 3 and not list(folder.rglob(".unfinished*"))
    assert len(list((folder / "reports").rglob("mine.txt"))) == 1
    assert all(list((folder / "reports" / d).rglob("report.html")) for d in DATES)


@pytest.mark.parametrize(("zone", "hour"), [("", 12), ('zone = "Europe/Lisbon"', 11)])
def test_times_in_notes_are_those_of_the_waters_unless_the_boat_file_says_otherwise(zone, hour):
    """Off Nice in May, Paris summer time, two hours before UTC; Lisbon is one hour before it."""
    import tempfile

    from sailanalysis.read.days.card import read_one_day
    from sailanalysis.read.days.zone import BY_POSITION

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        put(folder, "1.nmea", log(at(2, 10), 8))
        put(folder, "boat.toml", f'[boat]\nname = "Quiet Fathom"\n{zone}\n'.encode())
        put(folder, "crew.txt", f"{hour}:05 Marit steers\n".encode())
        day = read_one_day([folder], timezone=BY_POSITION)
    assert [(e.value, e.time_s) for e in day.crew.entries] == [("Marit", at(2, 10, 5))]
    assert day.zone == ("Europe/Lisbon" if zone else "Europe/Paris")
    assert any(f.code == "zone-by-position" for f in day.findings) == (not zone)


def test_the_demo_is_a_cruise_in_a_boats_folder(tmp_path, capsys, monkeypatch):
    """Its plan: one swim stop, a day whose log wheel lies, notes dealt out to four days."""
    monkeypatch.chdir(tmp_path)
    card = Path(opening.__file__).resolve().parents[2] / "data" / "cruise" / "card"
    assert sum(p.stat().st_size for p in card.iterdir()) < 3_000_000
    put(tmp_path, "wide-lantern", b"mine")
    status, _, errors = ran(capsys, "demo", "--quiet", "--no-open")
    assert status == 1 and "another folder" in errors[0] and (tmp_path / "wide-lantern").read_bytes() == b"mine"


@pytest.mark.slow
def test_the_demos_four_days(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    status, lines, errors = ran(capsys, "demo", "--no-open")
    assert status == 0 and lines[1].startswith("4 days, 2026-07-14 to 2026-07-17")
    assert not any("notes.txt" in line for line in errors)
    archive = Archive(tmp_path / "wide-lantern/season")
    days = archive.days()
    assert list(days["date"]) == [f"2026-07-{d}" for d in (14, 15, 16, 17)]
    # truth of the plan: 2 + 2 tacks, then 3, then 4, then 6; gybes 0, 3, 0, 3
    assert list(days["tacks"]) == [4, 3, 4, 6] and list(days["gybes"]) == [0, 3, 0, 3]
    assert set(archive.load(days["day"][0]).samples()["helm"].astype(str)) >= {"Marit", "Jonas", "autopilot"}
    status, lines, _ = ran(capsys, "demo", "--no-open", "--quiet")
    assert status == 0 and lines[0].startswith("nothing new")
