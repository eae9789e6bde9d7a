"""A page on this machine only, on which the artist marks the reference; it ends when the marks are saved.

Only a page that was opened by its whole address is answered. The address holds a random token; the server listens on the loopback
interface, on a port that the system chose, and refuses other names for this machine (a foreign site may point its own name here),
other origins, large requests, and every path but the few it made itself: no file of the disk is served.
"""

from __future__ import annotations

import hmac
import json
import secrets
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from importlib import resources
from socketserver import TCPServer
from typing import Any

from featurediff.errors import FeaturediffError

ADDRESS = "127.0.0.1"
LARGEST_REQUEST = 1_000_000  # bytes: some hundred times what marks take
SECONDS_PER_REQUEST = 20.0
POLICY = (
    "default-src 'none'; img-src 'self' data:; style-src 'self'; script-src 'self'; connect-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
_HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cache-Control": "no-store",
}


@dataclass(frozen=True)
class Desk:
    """What the page works on. ``picture``: the reference as JPEG; ``start``: what the page shows first, as JSON can hold it.

    ``save`` takes what the page sends and keeps it; its FeaturediffErrors are told on the page. It returns what to say when done.
    """

    picture: bytes
    start: Mapping[str, Any]
    save: Callable[[Any], str]


class MarkServer(ThreadingHTTPServer):
    """Serves one desk until its marks are saved. ``address`` is what to open; ``saved`` what `Desk.save` said, "" before."""

    daemon_threads = True
    allow_reuse_address = False

    def __init__(self, desk: Desk):
        super().__init__((ADDRESS, 0), _Handler)
        self.token = secrets.token_urlsafe(24)
        self.host = f"{ADDRESS}:{self.server_address[1]}"
        self.origin = f"http://{self.host}"
        self.address = f"{self.origin}/{self.token}/"
        self.saved = ""
        self.desk = desk
        self.saving = threading.Lock()
        self.files = {
            "": ("text/html; charset=utf-8", _own("mark.html")),
            "mark.css": ("text/css; charset=utf-8", _own("mark.css")),
            "mark.js": ("text/javascript; charset=utf-8", _own("mark.js")),
            "shapes.js": ("text/javascript; charset=utf-8", _own("shapes.js")),
            "reference.jpg": ("image/jpeg", desk.picture),
            "start.json": ("application/json", json.dumps(desk.start, allow_nan=False).encode("ascii")),
        }

    def server_bind(self) -> None:
        """Bind as any server does; the library's own way would ask the name service who this machine is."""
        TCPServer.server_bind(self)
        self.server_name, self.server_port = self.server_address[:2]

    def handle_error(self, request, client_address) -> None:
        """A browser that went away in the middle is no fault."""


def _own(name: str) -> bytes:
    return (resources.files("featurediff.marking") / "page" / name).read_bytes()


class _Refused(Exception):
    def __init__(self, status: HTTPStatus, why: str):
        self.status, self.why = status, why


class _Handler(BaseHTTPRequestHandler):
    server: MarkServer
    timeout = SECONDS_PER_REQUEST
    server_version, sys_version = "featurediff", ""

    def do_GET(self) -> None:
        try:
            self._check_sender()
            kind, content = self.server.files.get(self._asked(), (None, b""))
            if kind is None:
                raise _Refused(HTTPStatus.NOT_FOUND, "There is nothing here.")
            self._answer(HTTPStatus.OK, kind, content)
        except _Refused as refused:
            self._refuse(refused)

    def do_POST(self) -> None:
        try:
            self._check_sender()
            if self.headers.get("Origin") != self.server.origin:
                raise _Refused(HTTPStatus.FORBIDDEN, "Only the page itself may save.")
            if self._asked() != "save":
                raise _Refused(HTTPStatus.NOT_FOUND, "There is nothing here.")
            self._save(self._sent())
        except _Refused as refused:
            self._refuse(refused)

    def _check_sender(self) -> None:
        """That the request was meant for this address, by a page that came from here."""
        origins, site = self.headers.get_all("Origin", []), self.headers.get("Sec-Fetch-Site", "none")
        if self.headers.get_all("Host", []) != [self.server.host]:
            raise _Refused(HTTPStatus.FORBIDDEN, "This is not the name of this page.")
        if any(origin != self.server.origin for origin in origins) or site not in ("none", "same-origin"):
            raise _Refused(HTTPStatus.FORBIDDEN, "Another page has no business here.")

    def _asked(self) -> str:
        """Which of the page's files is asked for."""
        start = f"/{self.server.token}/"
        given = self.path[: len(start)]
        if not hmac.compare_digest(given.encode("utf-8", "replace"), start.encode("ascii")):
            raise _Refused(HTTPStatus.NOT_FOUND, "There is nothing here.")
        return self.path[len(start) :]

    def _sent(self) -> Any:
        length = self.headers.get("Content-Length", "")
        if "Transfer-Encoding" in self.headers or not (length.isascii() and length.isdecimal()):
            raise _Refused(HTTPStatus.LENGTH_REQUIRED, "The request does not say how long it is.")
        if len(length) > 9 or int(length) > LARGEST_REQUEST:
            raise _Refused(HTTPStatus.REQUEST_ENTITY_TOO_LARGE, "These are more marks than can be kept.")
        if self.headers.get_content_type() != "application/json":
            raise _Refused(HTTPStatus.UNSUPPORTED_MEDIA_TYPE, "JSON is wanted.")
        try:
            return json.loads(self.rfile.read(int(length)))
        except (ValueError, RecursionError):
            raise _Refused(HTTPStatus.BAD_REQUEST, "This is no JSON.") from None

    def _save(self, sent: Any) -> None:
        with self.server.saving:
            if self.server.saved:
                raise _Refused(HTTPStatus.CONFLICT, "The marks were saved already.")
            try:
                said = self.server.desk.save(sent)
            except FeaturediffError as error:
                self._tell(HTTPStatus.UNPROCESSABLE_ENTITY, {"problems": str(error).splitlines()})
                return
            self.server.saved = said
        try:
            self._tell(HTTPStatus.OK, {"saved": said})
        finally:
            # Not from this thread: it would wait for itself.
            threading.Thread(target=self.server.shutdown, daemon=True).start()

    def _tell(self, status: HTTPStatus, values: Mapping[str, Any]) -> None:
        self._answer(status, "application/json", json.dumps(values).encode("ascii"))

    def _refuse(self, refused: _Refused) -> None:
        self.close_connection = True
        self._answer(refused.status, "text/plain; charset=utf-8", refused.why.encode("utf-8"))

    def _answer(self, status: HTTPStatus, kind: str, content: bytes) -> None:
        self.send_response(status)
        for name, value in {**_HEADERS, "Content-Type": kind, "Content-Length": str(len(content))}.items():
            self.send_header(name, value)
        self.end_headers()
        self.wfile.write(content)

    def log_message(self, *_: Any) -> None:
        """The address holds the token, which is for the artist's eyes only."""
