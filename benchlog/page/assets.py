"""The page's own files: a fixed table of names, made once; no request's words ever become a path."""

from __future__ import annotations

import gzip
import hashlib
import threading
from importlib.metadata import version
from importlib.util import find_spec
from pathlib import Path

from fastapi import Response

_KINDS = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
    ".png": "image/png",
    ".webmanifest": "application/manifest+json",
}
STATIC = Path(__file__).parent / "static"


class Assets:
    """What is in ``static``, and plotly.js out of the installed wheel."""

    def __init__(self, folder: Path = STATIC) -> None:
        self._files = {path.name: path for path in sorted(folder.iterdir()) if path.suffix in _KINDS}
        self._lock = threading.Lock()
        self._plotly: tuple[str, bytes, bytes] | None = None  # version, as it is, compressed

    def __contains__(self, name: str) -> bool:
        return name in self._files

    def answer(self, name: str, known: str) -> Response:
        """A file of the table, or that the browser's copy is still good."""
        path = self._files[name]
        content = path.read_bytes()
        tag = f'"{hashlib.sha256(content).hexdigest()[:20]}"'
        headers = {"etag": tag, "cache-control": "no-cache"}  # asked for again each time, sent again when changed
        if tag in known:
            return Response(status_code=304, headers=headers)
        return Response(content, media_type=_KINDS[path.suffix], headers=headers)

    def plotly(self, known: str, encodings: str) -> Response:
        """plotly.js, 4.8 MB, or a third of that where the browser takes it compressed."""
        number, plain, packed = self._loaded()
        headers = {"etag": f'"plotly-{number}"', "cache-control": "max-age=86400", "vary": "accept-encoding"}
        if headers["etag"] in known:
            return Response(status_code=304, headers=headers)
        if "gzip" in encodings:
            headers["content-encoding"] = "gzip"
        return Response(packed if "gzip" in encodings else plain, media_type=_KINDS[".js"], headers=headers)

    def _loaded(self) -> tuple[str, bytes, bytes]:
        with self._lock:
            if self._plotly is None:
                spec = find_spec("plotly")  # found, not imported: nothing of its Python is used
                assert spec is not None
                assert spec.origin is not None
                plain = (Path(spec.origin).parent / "package_data" / "plotly.min.js").read_bytes()
                self._plotly = version("plotly"), plain, gzip.compress(plain, 5)
            return self._plotly
