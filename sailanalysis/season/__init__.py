"""A season of days: the archive on disk and what it adds up to."""

from sailanalysis.season.archive import Archive
from sailanalysis.season.records import ArchivedDay, ArchiveError, DamagedError, Fault, Filed
from sailanalysis.season.season import Season, fit_season
from sailanalysis.season.tables import helm_card, polar_json, season_tables

__all__ = ["Archive", "ArchiveError", "ArchivedDay", "DamagedError", "Fault", "Filed", "Season",
           "fit_season", "helm_card", "polar_json", "season_tables"]
