"""A backup as one file: a zip of a SQLite database and its manifest, whose last bytes are the digest of all before.

Any unzip program opens it. The digest stands in the archive's comment, so that a flipped byte anywhere is found, in the
archive's own bookkeeping too.
"""

import hashlib
import os
import struct
import zipfile
import zlib
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import IO, Final

import orjson

from service.errors import BadUse, StoreDamaged, StoreForeign, StoreNewer
from service.store.files import PIECE, Share, writing

FORMAT: Final = 1
DATABASE: Final = "wardian.db"
MANIFEST: Final = "manifest.json"
_PROGRAM: Final = "wardian"
_MARK: Final = b"sha256:"
_COMMENT_BYTES: Final = len(_MARK) + 64
_STARTS: Final = b"PK\x03\x04"
_FAST: Final = 1
_NO_ARCHIVE: Final = (
    zipfile.BadZipFile,
    NotImplementedError,
    RuntimeError,
    ValueError,
    EOFError,
    struct.error,
    KeyError,
)
"""What the archive's reader raises of bytes that are no archive, or none that we wrote."""


@dataclass(frozen=True, slots=True)
class Manifest:
    """What a backup says of itself.

    Attributes
    ----------
    version, revision : str
        Of the program and of the tables.
    made_at : str
        ISO 8601, UTC.
    site : str
        Name of the site, empty when it has none yet.
    database : str
        What it was taken from: ``sqlite`` or ``postgresql``.
    size : int
        Of the database within. [byte]
    sha256 : str
        Of the database within.
    tables : dict of str to str
        By table ``rows:checksum``, as `service.store.checksums.Sum` writes it.
    """

    version: str
    revision: str
    made_at: str
    site: str
    database: str
    size: int
    sha256: str
    tables: dict[str, str]
    format: int = FORMAT
    program: str = _PROGRAM

    def rows(self, table: str) -> int:
        """Return how many rows of a table there are."""
        return int(self.tables.get(table, "0:").split(":")[0])


def write_container(path: Path, database: Path, manifest: Manifest, share: Share = lambda _share: None) -> None:
    """Write a backup, down to the disk.

    Raises
    ------
    OSError
        When it cannot be written.
    """
    with path.open("w+b") as file:
        with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED, compresslevel=_FAST) as archive:
            with database.open("rb") as source, archive.open(DATABASE, "w", force_zip64=True) as member:
                _copy(source, member, manifest.size, share)
            archive.writestr(MANIFEST, orjson.dumps(asdict(manifest), option=orjson.OPT_INDENT_2))
            archive.comment = _MARK + bytes(_COMMENT_BYTES - len(_MARK))
        file.flush()
        digest = _digest_before_comment(file)
        file.seek(-_COMMENT_BYTES, os.SEEK_END)
        file.write(_MARK + digest)
        file.flush()
        os.fsync(file.fileno())


def _digest_before_comment(file: IO[bytes]) -> bytes:
    left = file.seek(0, os.SEEK_END) - _COMMENT_BYTES
    file.seek(0)
    digest = hashlib.sha256()
    while left > 0 and (piece := file.read(min(PIECE, left))):
        digest.update(piece)
        left -= len(piece)
    return digest.hexdigest().encode()


def _copy(source: IO[bytes], target: IO[bytes], size: int, share: Share) -> str:
    """Copy all of it, and return its SHA-256."""
    digest, done = hashlib.sha256(), 0
    while piece := source.read(PIECE):
        digest.update(piece)
        target.write(piece)
        done += len(piece)
        share(min(done / max(size, 1), 1.0))
    return digest.hexdigest()


def read_manifest(path: Path) -> Manifest:
    """Check a backup from its first byte to its last, and return what it says of itself.

    Raises
    ------
    BadUse
        There is no such file.
    StoreForeign, StoreDamaged, StoreNewer
        It is none of ours, or not what was written, or of a newer version.
    """
    try:
        with path.open("rb") as file:
            _require_whole(path, file)
        with zipfile.ZipFile(path) as archive:
            return _understood(path, orjson.loads(archive.read(MANIFEST)))
    except OSError as exc:
        raise BadUse(f"{path}: cannot be read ({exc.strerror}); name a backup") from exc
    except _NO_ARCHIVE as exc:
        raise StoreForeign(f"{path}: is no backup of Wardian; name one") from exc


def _require_whole(path: Path, file: IO[bytes]) -> None:
    start = file.read(len(_STARTS))
    if not start:
        raise StoreDamaged(f"{path}: is empty; use another backup")
    if start != _STARTS:
        raise StoreForeign(f"{path}: is no backup of Wardian; name one")
    size = file.seek(0, os.SEEK_END)
    file.seek(max(size - _COMMENT_BYTES, 0))
    said = file.read()
    if size > _COMMENT_BYTES and said == _MARK + _digest_before_comment(file):
        return
    with suppress(*_NO_ARCHIVE), zipfile.ZipFile(file) as archive:
        if MANIFEST not in archive.namelist():
            raise StoreForeign(f"{path}: is an archive of something else than a Wardian room; name a backup")
    raise StoreDamaged(f"{path}: is damaged or cut short (its digest does not match); use another backup")


def _understood(path: Path, told: object) -> Manifest:
    if not isinstance(told, dict) or told.get("program") != _PROGRAM:
        raise StoreForeign(f"{path}: is no backup of Wardian; name one")
    if not isinstance(told.get("format"), int) or told["format"] > FORMAT:
        raise StoreNewer(f"{path}: was written by a newer version ({told.get('version')}); install that version first")
    try:
        return Manifest(**told)
    except TypeError as exc:
        raise StoreForeign(f"{path}: its manifest is not as Wardian writes it; use another backup") from exc


def extract(path: Path, target: Path, manifest: Manifest, share: Share = lambda _share: None) -> None:
    """Write the database of a backup to a file of its own, down to the disk.

    Raises
    ------
    StoreDamaged
        When it is not what was put in.
    StoreFull
        When there is no room for it.
    """
    try:
        with (
            zipfile.ZipFile(path) as archive,
            archive.open(DATABASE) as member,
            writing(target),
            target.open("wb") as file,
        ):
            found = _copy(member, file, manifest.size, share)
            file.flush()
            os.fsync(file.fileno())
    except (*_NO_ARCHIVE, zlib.error) as exc:
        raise StoreDamaged(f"{path}: is damaged ({exc}); use another backup") from exc
    if found != manifest.sha256 or target.stat().st_size != manifest.size:
        raise StoreDamaged(f"{path}: the database within is not what its manifest says; use another backup")
