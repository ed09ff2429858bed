"""Results on disk by key, each written whole or not at all."""

import contextlib
import json
import os
import re
import secrets
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

__all__ = ["Store", "tidy", "write_whole", "write_whole_stream"]

PART = ".part"
"""How the name of a file that is still being written ends."""
_PART = re.compile(r"\..+\.[0-9a-f]{12}\.part")


def write_whole(path: Path, content: bytes) -> None:
    """Write a file so that at any moment either the old one or the whole new one is there."""
    write_whole_stream(path, lambda: [content])


def write_whole_stream(path: Path, pieces: Callable[[], Iterable[bytes]]) -> None:
    """As `write_whole`, piece by piece; `pieces` starts afresh each time it is called."""
    path.parent.mkdir(parents=True, exist_ok=True)
    for attempt in range(3):
        part = path.with_name(f".{path.name}.{secrets.token_hex(6)}{PART}")
        try:
            with part.open("wb") as file:
                file.writelines(pieces())
                file.flush()
                os.fsync(file.fileno())
            part.replace(path)
            return
        except FileNotFoundError:  # another run tidied up at this very moment
            if attempt == 2:
                raise
        except BaseException:
            part.unlink(missing_ok=True)
            raise


def tidy(root: Path) -> None:
    """Remove what a killed run left half-written below `root`."""
    for part in root.rglob(f".*{PART}"):
        if _PART.fullmatch(part.name):
            with contextlib.suppress(OSError):
                part.unlink()


class Store:
    """JSON documents and small pictures under `root`, by key (hex digits).

    Several processes may use one store at the same time: equal keys mean equal content.
    """

    def __init__(self, root: Path) -> None:
        self.root = root

    def path(self, key: str, ending: str = ".json") -> Path:
        """Where the file of this key is, or would be."""
        return self.root / key[:2] / f"{key}{ending}"

    def get(self, key: str) -> dict[str, Any] | None:
        """The document, or None; one that cannot be read is removed."""
        path = self.path(key)
        try:
            document = json.loads(path.read_bytes())
        except FileNotFoundError:
            return None
        except (ValueError, OSError):
            document = None
        if not isinstance(document, dict) or document.get("key") != key:
            with contextlib.suppress(OSError):
                path.unlink()
            return None
        return document

    def put(self, key: str, document: dict[str, Any]) -> None:
        """Write the document; it carries its key."""
        content = json.dumps({"key": key, **document}, ensure_ascii=False, allow_nan=False)
        write_whole(self.path(key), content.encode())
