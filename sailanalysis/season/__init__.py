"""A season of days: the archive on disk and what it adds up to."""

from sailanalysis.season.archive import Archive, ArchivedDay, ArchiveError

__all__ = ["Archive", "ArchiveError", "ArchivedDay"]
