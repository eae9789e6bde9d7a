"""Who may ask the server of the marks page, through plain sockets: token, Host, Origin, paths, sizes.

What is refused follows the rules of HTTP (RFC 9110: Host, Content-Length, methods; RFC 6454 and the Fetch standard: Origin,
Sec-Fetch-Site) and what is known of attacks on servers at localhost (DNS rebinding: OWASP testing guide; checked by Host).
"""

import http.client
import json
import socket
import threading

import pytest

from featurediff.errors import MarksError
from featurediff.marking.server import LARGEST_REQUEST, Desk, MarkServer


@pytest.fixture
def server():
    kept = []

    def save(sent):
        if sent == "bad":
            raise MarksError("marks:1:1: one\nmarks:2:1: two")
        kept.append(sent)
        return "1 mark saved."

    server = MarkServer(Desk(b"\xff\xd8picture", {"width": 4}, save))
    server.kept = kept
    server.thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
    server.thread.start()
    yield server
    server.shutdown()
    server.server_close()


def ask(server, method="GET", path=None, body=None, **headers):
    """(status, headers, body) of a request; a header given as None is left out."""
    name, port = server.server_address
    connection = http.client.HTTPConnection(name, port, timeout=5)
    sent = {"Host": server.host, **{key.replace("_", "-"): value for key, value in headers.items()}}
    if method == "POST":
        sent = {"Origin": server.origin, "Content-Type": "application/json", "Content-Length": str(len(body or b"")), **sent}
    connection.putrequest(method, f"/{server.token}/" if path is None else path, skip_host=True, skip_accept_encoding=True)
    for key, value in sent.items():
        if value is not None:
            connection.putheader(key, value)
    connection.endheaders(body)
    answer = connection.getresponse()
    found = (answer.status, dict(answer.getheaders()), answer.read())
    connection.close()
    return found


def saving(server, body=b'{"marks": {}}', **headers):
    return ask(server, "POST", f"/{server.token}/save", body, **headers)


def test_it_listens_on_this_machine_alone(server):
    assert server.server_address[0] == "127.0.0.1"
    assert len(server.token) >= 32
    other = MarkServer(server.desk)
    assert other.token != server.token and other.server_address != server.server_address
    other.server_close()


def test_the_page_its_files_and_nothing_else(server):
    for name in ("", "mark.css", "mark.js", "shapes.js", "reference.jpg", "start.json"):
        status, headers, body = ask(server, path=f"/{server.token}/{name}")
        assert status == 200 and body, name
        assert headers["X-Content-Type-Options"] == "nosniff" and headers["Cache-Control"] == "no-store"
        policy = headers["Content-Security-Policy"]
        assert "default-src 'none'" in policy and "unsafe" not in policy and "http" not in policy
    assert json.loads(ask(server, path=f"/{server.token}/start.json")[2]) == {"width": 4}


@pytest.mark.parametrize("name", [
    "../../../../etc/passwd", "..%2f..%2fetc/passwd", "%2e%2e/server.py", "server.py", "//etc/passwd", "mark.html", "mark.css/..",
    "mark.css?x", "./mark.css", "\\..\\..\\x", "mark.css%00", "page/mark.css", "MARK.CSS", "save",
])  # fmt: skip
def test_no_other_path_leads_anywhere(server, name):
    status, _, body = ask(server, path=f"/{server.token}/{name}")
    assert status == 404 and body == b"There is nothing here."


@pytest.mark.parametrize("path", ["/", "/start.json", "/x/", "*", "/" + "a" * 32 + "/", "http://127.0.0.1/", "/favicon.ico"])
def test_without_the_token_there_is_nothing(server, path):
    assert ask(server, path=path)[0] == 404
    assert ask(server, "POST", path + "save", b"{}")[0] == 404


def test_a_token_that_is_nearly_right_is_wrong(server):
    right = server.token
    for token in (right[:-1], right + "a", right[:-1] + chr(ord(right[-1]) ^ 1), right.swapcase(), ""):
        assert ask(server, path=f"/{token}/start.json")[0] == 404


@pytest.mark.parametrize(
    "host", [None, "localhost", "evil.example", "127.0.0.1", "127.0.0.1:1", "[::1]:{port}", "evil.example:{port}"]
)
def test_another_name_for_this_machine_is_refused(server, host):
    host = host and host.format(port=server.server_address[1])
    assert ask(server, Host=host)[0] == 403
    assert saving(server, Host=host)[0] == 403
    assert server.kept == []


@pytest.mark.parametrize(
    "origin", [None, "null", "http://evil.example", "https://127.0.0.1:{port}", "http://127.0.0.1", "http://localhost:{port}"]
)
def test_only_the_page_itself_may_save(server, origin):
    origin = origin and origin.format(port=server.server_address[1])
    assert saving(server, Origin=origin)[0] == 403
    if origin:
        assert ask(server, Origin=origin)[0] == 403
    assert server.kept == []


@pytest.mark.parametrize("site", ["cross-site", "same-site"])
def test_a_request_that_another_site_started_is_refused(server, site):
    assert ask(server, Sec_Fetch_Site=site)[0] == 403
    assert saving(server, Sec_Fetch_Site=site)[0] == 403


@pytest.mark.parametrize(("headers", "status"), [
    ({"Content_Length": None}, 411), ({"Content_Length": "-1"}, 411), ({"Content_Length": "1e3"}, 411),
    ({"Content_Length": "²"}, 411), ({"Transfer_Encoding": "chunked"}, 411),
    ({"Content_Length": str(LARGEST_REQUEST + 1)}, 413), ({"Content_Length": "9" * 5000}, 413),
    ({"Content_Type": "text/plain"}, 415), ({"Content_Type": "application/x-www-form-urlencoded"}, 415),
])  # fmt: skip
def test_what_is_no_request_of_the_page_is_refused(server, headers, status):
    assert saving(server, **headers)[0] == status
    assert server.kept == []


@pytest.mark.parametrize("body", [b"", b"{", b"\xff\xfe", b"[" * 100_000])
def test_what_is_no_json_is_refused(server, body):
    assert saving(server, body)[0] == 400


@pytest.mark.parametrize("method", ["PUT", "DELETE", "OPTIONS", "TRACE", "CONNECT", "PATCH"])
def test_other_methods_are_not_known(server, method):
    assert ask(server, method)[0] == 501


def test_mistakes_are_told_and_the_page_goes_on(server):
    status, _, body = saving(server, b'"bad"')
    assert status == 422 and json.loads(body) == {"problems": ["marks:1:1: one", "marks:2:1: two"]}
    assert server.thread.is_alive() and not server.saved


def test_saving_ends_the_server(server):
    status, _, body = saving(server)
    assert status == 200 and json.loads(body) == {"saved": "1 mark saved."}
    server.thread.join(5)
    assert not server.thread.is_alive() and server.saved == "1 mark saved." and server.kept == [{"marks": {}}]


@pytest.mark.parametrize(
    "sent", [b"", b"\r\n\r\n", b"GET\r\n\r\n", b"\x16\x03\x01\x02\x00\x01", b"GET / HTTP/9.9\r\n\r\n", b"A" * 70_000]
)
def test_noise_does_not_stop_it(server, sent, capsys):
    with socket.create_connection(server.server_address, timeout=5) as stranger:
        stranger.sendall(sent)
        stranger.shutdown(socket.SHUT_WR)
        stranger.recv(1000)
    assert ask(server)[0] == 200
    said = capsys.readouterr()
    assert said.out == said.err == "", "nothing of it reaches the terminal"


def test_a_silent_stranger_does_not_block_it(server):
    with socket.create_connection(server.server_address, timeout=5):
        assert ask(server)[0] == 200
