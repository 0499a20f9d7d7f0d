"""The season file (DuckDB): the only place with SQL, where making and reading meet."""

from vision.store.keys import film_key
from vision.store.season import Season

__all__ = ["Season", "film_key"]
