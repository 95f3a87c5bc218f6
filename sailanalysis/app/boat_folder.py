"""A boat's folder: her boat file, her logs and notes, her season and her reports in one place."""

from __future__ import annotations

import json
import os
from dataclasses import dataclass
from pathlib import Path

from sailanalysis.core.errors import SailAnalysisError

PARTS = ("logs", "notes", "season", "reports")
"""The folders in a boat's folder."""


@dataclass(frozen=True)
class BoatFolder:
    """Where everything of one boat lies.

    Attributes
    ----------
    path : Path
    """

    path: Path

    @property
    def boat_file(self) -> Path:
        """``boat.toml``."""
        return self.path / "boat.toml"

    @property
    def logs(self) -> Path:
        """Copies of the instruments' logs."""
        return self.path / "logs"

    @property
    def notes(self) -> Path:
        """Crew logs, and what else the crew wrote."""
        return self.path / "notes"

    @property
    def season(self) -> Path:
        """The archive of days."""
        return self.path / "season"

    @property
    def reports(self) -> Path:
        """A folder a day, and the season's page."""
        return self.path / "reports"

    def is_made(self) -> bool:
        """Whether this is a boat's folder."""
        return self.boat_file.is_file() and self.logs.is_dir() and self.notes.is_dir()


def new_boat_folder(path: str | os.PathLike[str],
                    boat_file: str = "") -> tuple[BoatFolder, list[str]]:
    """Make a boat's folder, or add what one lacks; nothing that is there is touched.

    Parameters
    ----------
    path : path
        Where; its last part is the boat's name until the boat file says another.
    boat_file : str, optional
        Text of the boat file; default one to fill in.

    Returns
    -------
    BoatFolder
    list of str
        What was made.

    Raises
    ------
    SailAnalysisError
        If it cannot be made.
    """
    folder = BoatFolder(Path(path))
    made = []
    try:
        for name in PARTS:
            if not (folder.path / name).is_dir():
                (folder.path / name).mkdir(parents=True)
                made.append(f"{name}/")
        try:
            with folder.boat_file.open("x", encoding="utf-8") as out:
                out.write(boat_file or boat_file_text(boat_name(folder.path)))
            made.insert(0, folder.boat_file.name)
        except FileExistsError:
            pass
    except OSError as error:
        raise SailAnalysisError(f"{folder.path}: the boat's folder cannot be made there: "
                                f"{error.strerror or error}") from error
    return folder, made


def boat_name(path: Path) -> str:
    """The name that a folder gives its boat: ``quiet-fathom`` is Quiet Fathom."""
    name = " ".join(path.resolve().name.replace("_", " ").replace("-", " ").split())
    return name if name != name.lower() else name.title()


def find_boat_folder(asked: str | None, here: Path) -> BoatFolder:
    """The boat's folder meant: the one named, the one we stand in, or the only one at hand.

    Parameters
    ----------
    asked : str or None
        ``--boat-folder``.
    here : Path
        The folder we stand in.

    Raises
    ------
    SailAnalysisError
        If there is none, or more than one.
    """
    if asked is not None:
        folder = BoatFolder(Path(asked))
        if folder.is_made():
            return folder
        raise SailAnalysisError(f"{asked} is no boat's folder; make it one with `sailanalysis "
                                f"new-boat {asked}`")
    for path in (here, *here.resolve().parents):
        if BoatFolder(path).is_made():
            return BoatFolder(path)
    below = [BoatFolder(path) for path in sorted(here.iterdir())
             if path.is_dir() and BoatFolder(path).is_made()]
    if len(below) == 1:
        return below[0]
    if below:
        names = ", ".join(folder.path.name for folder in below)
        raise SailAnalysisError(f"there are several boats' folders here ({names}); say which with "
                                "--boat-folder")
    raise SailAnalysisError("this is no boat's folder; make one with `sailanalysis new-boat "
                            "FOLDER`, or name it with --boat-folder")


def boat_file_text(name: str) -> str:
    """A boat file to fill in: every line explained, all that may be unknown left out.

    Parameters
    ----------
    name : str
        The boat's.
    """
    return _BOAT_FILE.replace("NAME", json.dumps(name, ensure_ascii=False))


_BOAT_FILE = """\
# The boat file: what the instruments cannot know. Every line may be left out; a line that begins
# with # is not read. Fill in what you know and take the # away.

[boat]
name = NAME
# hull = "catamaran"      # monohull, catamaran or trimaran
# loa_m = 12.0            # length over all, metres
# lwl_m = 11.2            # length of the waterline, metres
# displacement_kg = 7800  # light ship, kilograms
# mast_height_m = 18.0    # wind sensor above the water, metres
# zone = "Europe/Paris"   # time zone of your notes; without it, the zone of the waters sailed

# What you call who steers and what you set, with other ways of writing it.
# [names]
# helms = ["Marit", "Jonas"]
# sails = { main = ["mainsail"], jib = [], reacher = ["Code 0"] }

# [rudder]
# count = 2
# area_m2 = 0.38          # of one blade, square metres
# span_m = 1.1            # depth of one blade, metres

# The tanks whose gauges are logged: their contents are counted as weight on board.
# [tanks.fuel_port]
# capacity_l = 300

# Corrections that put a logged value right: multiplied with it (factor) or added to it (offset).
# Nobody has calibrated this boat yet; what a day's sailing shows is applied without them, and
# `sailanalysis calibrate LOGS --boat boat.toml --write` fills them in for good.
# [sensors]
# stw_factor = 1.0          # boat-speed correction
# awa_offset_deg = 0.0      # wind-angle correction
# aws_factor = 1.0          # wind-speed correction
# heading_offset_deg = 0.0  # compass correction
"""
