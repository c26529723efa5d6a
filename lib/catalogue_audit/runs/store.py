"""
The store: results of pass one, kept by content and by version of the measures.

One SQLite file beside the reports. SQLite because it is in the standard
library, is one file, survives ``kill -9`` (write-ahead log) and lets several
runs read while one writes. A store that is damaged is set aside under another
name and begun anew: it holds nothing that cannot be measured again.
"""

import hashlib
import json
import sqlite3
import time
from importlib import metadata
from pathlib import Path

import catalogue_audit
from catalogue_audit.runs.sketch_parts import PARTS, parted

SCHEMA_VERSION = 4
STORE_NAME = "measures.sqlite3"
FRESH_NS = 2_000_000_000  # a file changed this shortly before it was read may change again unseen within one clock tick

_MEASURING = ("measures", "metadata", "pixels")
_LIBRARIES = ("exifread", "numpy", "opencv-python-headless", "pillow", "pi-heif", "simplejpeg")

SKETCH_COLUMNS = ", ".join(("head", *PARTS))
# Results are found through a small index and not by their rows, which are long: with those in the index a look-up takes twenty times as long.
_TABLES = """
CREATE TABLE IF NOT EXISTS measured (
    version TEXT NOT NULL,
    sha256 TEXT NOT NULL,
    head BLOB NOT NULL,
    small BLOB NOT NULL,
    facts TEXT NOT NULL,
    check_sum TEXT NOT NULL,
    middle BLOB NOT NULL,
    large BLOB NOT NULL,
    PRIMARY KEY (version, sha256)
);
CREATE TABLE IF NOT EXISTS seen (
    location TEXT NOT NULL,
    name TEXT NOT NULL,
    size INTEGER NOT NULL,
    mtime_ns INTEGER NOT NULL,
    ctime_ns INTEGER NOT NULL,
    inode INTEGER NOT NULL,
    sha256 TEXT NOT NULL,
    etag TEXT NOT NULL DEFAULT '',
    PRIMARY KEY (location, name)
) WITHOUT ROWID;
"""


def measure_version():
    """
    Version of pass one: a hash of its source and of the libraries it stands on.

    A changed line of code can change a number, so no hand-kept counter decides
    whether a kept result is still good.

    Returns
    -------
    str
        16 hex digits.
    """
    digest = hashlib.blake2b(digest_size=8)
    root = Path(catalogue_audit.__file__).parent
    for layer in _MEASURING:
        for path in sorted((root / layer).rglob("*.py")):
            digest.update(path.relative_to(root).as_posix().encode() + b"\0" + path.read_bytes())
    digest.update((root / "schema.py").read_bytes())
    for library in _LIBRARIES:
        digest.update(f"{library} {metadata.version(library)}".encode())
    return digest.hexdigest()


def open_store(folder):
    """
    Open the store in `folder`, making or mending it where needed.

    Parameters
    ----------
    folder : Path

    Returns
    -------
    connection : sqlite3.Connection
    notes : tuple of str
        What was set aside, in plain words.
    """
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / STORE_NAME
    try:
        return _connect(path), ()
    except sqlite3.DatabaseError as error:
        if not is_damage(error):
            raise
        aside = path.with_name(f"{STORE_NAME}.damaged-{time.time_ns()}")
        path.rename(aside)
        for suffix in ("-wal", "-shm"):
            path.with_name(STORE_NAME + suffix).unlink(missing_ok=True)
        return _connect(path), (f"the store of earlier results was damaged; it was set aside as {aside.name}",)


def _connect(path):
    connection = sqlite3.connect(path, timeout=60)
    try:
        connection.execute("PRAGMA journal_mode=WAL")
        connection.execute("PRAGMA synchronous=NORMAL")
        if connection.execute("PRAGMA quick_check(1)").fetchone()[0] != "ok":
            raise Unusable("quick_check failed")
        (version,) = connection.execute("PRAGMA user_version").fetchone()
        if version not in range(SCHEMA_VERSION + 1):
            raise Unusable(f"schema {version}")
        if version == 1:
            connection.execute("ALTER TABLE seen ADD COLUMN etag TEXT NOT NULL DEFAULT ''")
        if is_of_older_kind(connection):
            connection.execute("DROP TABLE measured")  # of measures long changed: they are made anew
        connection.executescript(_TABLES)
        for columns in (f"version, sha256, facts, check_sum, {SKETCH_COLUMNS} FROM measured", "sha256, etag, inode FROM seen"):
            connection.execute(f"SELECT {columns} LIMIT 0")  # a table of another program has others
        connection.execute(f"PRAGMA user_version={SCHEMA_VERSION}")
        connection.commit()
    except sqlite3.DatabaseError:
        connection.close()
        raise
    return connection


def keep(connection, version, sha256, facts, sketch):
    """Keep one result; `sketch` is packed bytes."""
    text = json.dumps(facts, sort_keys=True)
    parts = parted(sketch)
    connection.execute(
        f"INSERT OR REPLACE INTO measured (version, sha256, facts, check_sum, {SKETCH_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        (version, sha256, text, check_sum(text, parts), *parts),
    )


def recall(connection, version, sha256):
    """
    Facts kept for a content, or None where there are none or they are damaged.
    """
    row = connection.execute(
        f"SELECT facts, check_sum, {SKETCH_COLUMNS} FROM measured WHERE version = ? AND sha256 = ?", (version, sha256)
    ).fetchone()
    if row is None or check_sum(row[0], row[2:]) != row[1]:
        return None
    facts = json.loads(row[0])
    facts["reasons"] = tuple(facts.get("reasons", ()))
    return facts


def remember(connection, location, entry, sha256, read_at_ns):
    """
    Note that a file of this size, times and inode, or of this entity tag, held this content.

    Not where there is neither, nor where the times are too fresh to trust.
    """
    if not _fits(entry):
        return
    if not entry.etag and (not entry.inode or read_at_ns - max(entry.mtime_ns, entry.ctime_ns) < FRESH_NS):
        return
    connection.execute(
        "INSERT OR REPLACE INTO seen VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        (location, entry.name, entry.size, entry.mtime_ns, entry.ctime_ns, entry.inode, sha256, entry.etag),
    )


def recognise(connection, location, entry):
    """Content hash of a file that has not changed since it was read, or None."""
    if not _fits(entry):
        return None
    row = connection.execute(
        "SELECT sha256 FROM seen WHERE location = ? AND name = ? AND size = ? AND mtime_ns = ?"
        " AND ctime_ns = ? AND inode = ? AND etag = ?",
        (location, entry.name, entry.size, entry.mtime_ns, entry.ctime_ns, entry.inode, entry.etag),
    ).fetchone()
    return row[0] if row else None


def _fits(entry):
    """Whether times and inode fit the store's 64 bits: a clock set to the year 40,000 leaves times that do not."""
    return all(-(2**63) <= number < 2**63 for number in (entry.size or 0, entry.mtime_ns, entry.ctime_ns, entry.inode))


def path_of(connection):
    """Path of the file behind a connection."""
    return connection.execute("PRAGMA database_list").fetchone()[2]


def open_kept(path, version):
    """
    A function that gives the facts kept for some content, or None; for a process that only reads.

    Parameters
    ----------
    path : str or Path
        The store.
    version : str

    Returns
    -------
    callable
        SHA-256 in hexadecimal digits → dict or None.
    """
    connection = sqlite3.connect(f"{Path(path).absolute().as_uri()}?mode=ro", uri=True, timeout=60)

    def kept(content):
        try:
            return recall(connection, version, content)
        except sqlite3.Error:
            return None  # then it is measured again

    return kept


class Unusable(sqlite3.DatabaseError):
    """A database that is whole for SQLite but not for us: failed its check, or of another schema."""


def is_damage(error):
    """True for an error that speaks of the file's content, or its tables; False for a full disk, a closed folder, a lock."""
    code = getattr(error, "sqlite_errorcode", None)
    return code is None or code & 0xFF in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_ERROR)


def is_of_older_kind(connection):
    """Whether a store holds results of an older version, whose sketches were packed otherwise."""
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    columns = {row[1] for row in connection.execute("PRAGMA table_info(measured)")}
    return 0 < version < SCHEMA_VERSION and {"version", "sha256", "facts", "check_sum"} <= columns


def all_kept(connection):
    """Facts as text, sketch in parts, and check sum of every result."""
    for facts, kept, *parts in connection.execute(f"SELECT facts, check_sum, {SKETCH_COLUMNS} FROM measured"):
        yield facts, parts, kept


def check_sum(facts, parts):
    """Check sum of a kept result: facts as text, the parts of its sketch as bytes."""
    digest = hashlib.blake2b(facts.encode(), digest_size=8)
    for part in parts:
        digest.update(part)
    return digest.hexdigest()
