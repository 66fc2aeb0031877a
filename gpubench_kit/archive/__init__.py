"""Many reviews as one instrument: the noise of the bench, its restarts, drivers, cards and games."""

from gpubench_kit.archive.archive import Archive, gather_archive, open_archive

__all__ = ["Archive", "gather_archive", "open_archive"]
