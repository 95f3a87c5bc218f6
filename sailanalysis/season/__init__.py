"""A season of days: the archive on disk and what it adds up to."""

from sailanalysis.season.archive import Archive, ArchivedDay, ArchiveError
from sailanalysis.season.season import Season, fit_season
from sailanalysis.season.tables import helm_card, polar_json, season_tables

__all__ = ["Archive", "ArchiveError", "ArchivedDay", "Season", "fit_season", "helm_card",
           "polar_json", "season_tables"]
