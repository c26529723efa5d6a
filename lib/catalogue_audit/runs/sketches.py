"""All sketches of a run as one mapping: each read from the store when it is asked for, shares of the work given to processes."""

import contextlib
import sqlite3
from collections.abc import Mapping
from pathlib import Path

from catalogue_audit.runs.crew import Crew
from catalogue_audit.runs.sketch_parts import kept_sketch

FEWEST_FILES = 8  # a worker; of fewer, starting it takes as long as what it does


class Sketches(Mapping):
    """
    Read-only mapping: file name → sketch, loaded from the store when asked for.

    Memory stays that of one sketch, whatever the number of files. ``made`` is a dict for a few numbers worked out of sketches
    that are asked for twice; ``workers`` processes take their shares of what is spread (`statistics.spread`).
    """

    def __init__(self, path, version, contents, workers=1):
        """`contents` maps file name → sha256 of the files that have a sketch."""
        self.made = {}
        self.workers = max(min(workers, len(contents) // FEWEST_FILES), 1)
        self._path, self._version = Path(path).absolute(), version
        self._contents = dict(contents)
        self._connection = sqlite3.connect(f"{self._path.as_uri()}?mode=ro", uri=True, timeout=60)
        self._crew, self._mixed = None, []

    def spread(self, function, items, at_hand=None):
        """A function's results for a list of items, worked out by the workers; see `statistics.spread.spread`."""
        self._crew = self._crew or Crew(self.workers, Sketches, (self._path, self._version, self._contents))
        return self._crew.spread(function, items, self if at_hand is None else at_hand)

    def with_pictures_of(self, others, other_of):
        """
        The same with the sketches of other pictures in some files' places.

        Parameters
        ----------
        others : Sketches
            Of the same store and version.
        other_of : dict of str to str
            File → file of `others`.
        """
        contents = {file: content for file, content in self._contents.items() if file not in other_of}
        contents |= {file: others._contents[other] for file, other in other_of.items() if other in others._contents}
        return self._of(contents)

    def joined(self, others):
        """The same and the sketches of other pictures of the same store as one, as `statistics.spread.both` names them."""
        return self._of({(side, file): content for side, known in enumerate((self, others)) for file, content in known._contents.items()})

    def _of(self, contents):
        self._mixed.append(Sketches(self._path, self._version, contents, self.workers))
        return self._mixed[-1]

    def dismiss(self):
        """End the workers; who spreads work again is given new ones."""
        if self._crew is not None:
            self._crew.stop()
            self._crew = None
        for mixed in self._mixed:
            mixed.dismiss()

    def __getitem__(self, file):
        return kept_sketch(self._connection, self._version, self._contents[file])

    def __iter__(self):
        return iter(self._contents)

    def __len__(self):
        return len(self._contents)

    def close(self):
        """Close the connection and end the workers."""
        self.dismiss()
        for mixed in self._mixed:
            mixed.close()
        with contextlib.suppress(sqlite3.Error):
            self._connection.close()
