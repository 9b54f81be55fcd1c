"""The web hardening checklist, line by line, against a running desk.

Sources: OWASP ASVS 5.0 (chapters named beside the checks), RFC 9112 (Host), RFC 6265bis (cookies), CSP Level 3.
"""

import json
import re
import socket
import subprocess
import sys
from pathlib import Path

import pytest
from conftest import ROOT, SAMPLE

from handwriting.desk.safety import POLICY, Doors

PNG = SAMPLE.read_bytes()
TINY = bytes.fromhex(  # one white pixel
    "89504e470d0a1a0a0000000d49484452000000010000000108000000003a7e9b55"
    "0000000a49444154789c63f80f0001010100b138f6140000000049454e44ae426082"
)


def test_it_listens_on_the_loopback_alone(desk):
    with pytest.raises(OSError, match=r".*"), socket.create_connection((_own_address(), desk.port), timeout=2):
        pass
    table = Path("/proc/net/tcp")
    listening = [line.split()[1] for line in table.read_text().splitlines()[1:]] if table.exists() else []
    assert not [a for a in listening if a.endswith(f":{desk.port:04X}") and not a.startswith("0100007F")]


def _own_address():
    """An address of this machine that is not 127.0.0.1; 127.0.0.2 is one on Linux when there is no other."""
    probe = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    try:
        probe.connect(("192.0.2.1", 9))  # a documentation address (RFC 5737): nothing is sent
        return probe.getsockname()[0]
    except OSError:
        return "127.0.0.2"
    finally:
        probe.close()


@pytest.mark.parametrize(
    "host",
    [
        "evil.example",
        "127.0.0.1.evil.example",
        "127.0.0.1",
        "127.0.0.1:1",
        "localhost",
        " ",
        "127.0.0.1:{port}.",
        "[::1]",
    ],
)
def test_a_foreign_host_is_refused_before_anything_else(desk, host):
    status, _, body = desk.ask("GET", "/", host=host.format(port=desk.port))
    assert status == 400 and b"desk-token" not in body


@pytest.mark.parametrize("lines", ["", "Host: {own}\r\nHost: evil.example\r\n", "Host: {own}\r\nHost: {own}\r\n"])
def test_one_host_header_exactly(desk, lines):
    lines = lines.format(own=desk.host)
    got = desk.raw(f"GET / HTTP/1.1\r\n{lines}Cookie: {desk.cookie}\r\nConnection: close\r\n\r\n".encode())
    assert got.startswith(b"HTTP/1.1 400") and b"desk-token" not in got


def test_forwarded_hosts_are_not_believed(desk):
    status, _, _ = desk.ask("GET", "/", host="evil.example", X_Forwarded_Host=desk.host, Forwarded=f"host={desk.host}")
    assert status == 400


@pytest.mark.parametrize("name", ["localhost", "[::1]"])
def test_other_names_of_the_loopback_are_answered(desk, name):
    assert desk.ask("GET", "/", host=f"{name}:{desk.port}")[0] == 200


def test_the_opening_link_works_once(own_desk):
    path = own_desk.link.removeprefix(own_desk.url)
    assert own_desk.ask("GET", "/open?token=wrong", cookie="")[0] == 403
    assert own_desk.ask("GET", "/open", cookie="")[0] == 403
    assert own_desk.ask("HEAD", path, cookie="")[0] == 403
    status, headers, _ = own_desk.ask("GET", path, cookie="")
    assert status == 303 and headers["location"] == "/"
    cookie = headers["set-cookie"]
    assert f"handwriting_desk_{own_desk.port}=" in cookie
    for part in ("HttpOnly", "SameSite=Strict", "Path=/"):
        assert part in cookie
    assert own_desk.ask("GET", path, cookie="")[0] == 403
    assert own_desk.ask("GET", path, cookie=cookie.split(";")[0])[0] == 403
    # ASVS 14.2.1: the secret of the link is in no page and no log.
    secret = own_desk.link.split("=")[1]
    page = own_desk.ask("GET", "/", cookie=cookie.split(";")[0])[2].decode()
    assert secret not in page and secret not in own_desk.log.read_text()


def test_secrets_have_256_bits():
    one, other = Doors(1), Doors(1)
    assert len(one.token) >= 43 and one.token != other.token and one.change_token != other.change_token


@pytest.mark.parametrize("cookie", ["", "handwriting_desk=x", "handwriting_desk_{port}=", "handwriting_desk_{port}=x"])
@pytest.mark.parametrize("path", ["/", "/records", "/work/00000000000000000000/picture.jpg", "/about"])
def test_nobody_without_the_cookie(desk, cookie, path):
    status, _, body = desk.ask("GET", path, cookie=cookie.format(port=desk.port) or "a=b")
    assert status == 403 and b"desk-token" not in body


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": None},
        {"Origin": "https://127.0.0.1"},
        {"Origin": "http://127.0.0.1:1"},
        {"Sec_Fetch_Site": "cross-site"},
        {"Sec_Fetch_Site": "same-site"},
        {"Origin": None, "Sec_Fetch_Site": "none"},
    ],
    ids=str,
)
def test_a_change_from_elsewhere_is_refused(desk, headers):
    before = desk.ask("GET", "/")[2]
    assert desk.change("/sample", **headers)[0] == 403
    assert desk.ask("GET", "/")[2] == before


def test_a_change_without_origin_but_from_the_same_site_passes_to_the_token(desk):
    # Some browsers leave Origin out; Sec-Fetch-Site, which no script can set, then speaks for the page.
    assert desk.change("/work/00000000000000000000/again", Origin=None, Sec_Fetch_Site="same-origin")[0] == 404


@pytest.mark.parametrize("token", ["", "0" * 64, "é"])
def test_a_change_without_the_pages_token_is_refused(desk, token):
    assert desk.change("/sample", {"token": token})[0] == 403
    assert desk.ask("POST", "/sample", Origin=desk.url)[0] == 403


def test_get_changes_nothing(desk):
    for path in ("/sample", "/work", "/close", "/work/00000000000000000000/remove", "/records/1/erase"):
        assert desk.ask("GET", path)[0] in {404, 405}


@pytest.mark.parametrize("method", ["OPTIONS", "PUT", "DELETE", "PATCH", "TRACE", "CONNECT"])
def test_other_methods_are_refused_and_nothing_is_shared(desk, method):
    status, headers, _ = desk.ask(method, "/", Origin="http://evil.example", Access_Control_Request_Method="POST")
    assert status in {400, 405}
    assert not [name for name in headers if name.startswith("access-control")]


@pytest.mark.parametrize("path", ["/", "/nothing", "/static/desk.css", "/records", "/work/%2e%2e", "/about"])
def test_every_answer_has_the_headers(desk, path):
    for cookie in (None, "a=b"):
        _, headers, _ = desk.ask("GET", path, cookie=cookie)
        assert headers["content-security-policy"] == POLICY
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "same-origin"
        assert headers["cross-origin-opener-policy"] == headers["cross-origin-resource-policy"] == "same-origin"
        assert headers["cache-control"] in {"no-store", "no-cache"}
        assert "server" not in headers


def test_the_policy_allows_no_inline_script_and_no_other_place():
    rules = dict(rule.split(" ", 1) for rule in POLICY.split("; "))
    assert rules["default-src"] == rules["base-uri"] == rules["object-src"] == rules["frame-ancestors"] == "'none'"
    assert rules["script-src"] == rules["style-src"] == rules["connect-src"] == rules["form-action"] == "'self'"


def test_pages_hold_no_inline_script_style_or_foreign_address():
    for template in (ROOT / "handwriting/desk/templates").iterdir():
        text = template.read_text("utf-8")
        assert not re.search(r"<script(?![^>]*src=\"/static/)|\son\w+=|\sstyle=|<style|https?://|\|\s*safe\b", text), (
            template
        )
    for asset in (ROOT / "handwriting/desk/static").iterdir():
        text = asset.read_text("utf-8").replace("http://www.w3.org/2000/svg", "")
        assert not re.search(r"https?://|\beval\(|innerHTML|insertAdjacentHTML|document\.write|@import", text), asset


@pytest.mark.parametrize(
    "path",
    [
        "/static/../server.py",
        "/static/..%2fserver.py",
        "/static/%2e%2e/server.py",
        "/static/%252e%252e%252fserver.py",
        "/static/..%5cserver.py",
        "/static/desk.css%00.png",
        "//etc/passwd",
        "/static//etc/passwd",
        "/static/C:/windows/win.ini",
        "/static/con",
        "/work/../../../etc/passwd/status",
        "/work/%2e%2e%2f%2e%2e/picture.jpg",
        "/work/0123456789abcdef0123/files/..%2fstate.json",
        "/work/0123456789abcdef0123/files/state.json",
        "/records/pupil/..%2f..%2fetc",
        "/records/-1",
        "/records/99999999999999999999",
    ],
)
def test_traversal_finds_nothing(desk, path):
    status, _, body = desk.ask("GET", path)
    assert status in {400, 404}
    assert b"root:" not in body and b"import" not in body and b"Traceback" not in body


def test_a_page_in_hand_gives_out_its_own_files_only(desk):
    work = json.loads(desk.change("/work", files=[("a.png", PNG)])[2])["ids"][0]
    desk.wait(work)
    assert desk.ask("GET", f"/work/{work}/files/record.json")[0] == 200
    for name in ("state.json", "page.png", "original", "tool.json", "view.json", "../form.json"):
        assert desk.ask("GET", f"/work/{work}/files/{name}")[0] in {400, 404}
    assert desk.change(f"/work/{work}/remove")[0] == 200
    assert desk.ask("GET", f"/work/{work}")[0] == 404


def test_an_announced_flood_is_refused_before_it_is_read(desk):
    status, _, _ = desk.ask(
        "POST", "/work", Origin=desk.url, Content_Type="multipart/form-data; boundary=x", Content_Length="300000000"
    )
    assert status == 413
    status, _, _ = desk.ask(
        "POST", "/sample", Origin=desk.url, Content_Type="multipart/form-data; boundary=x", Content_Length="2000000"
    )
    assert status == 413


def test_an_unannounced_flood_is_cut_off(desk):
    chunk = b"10000\r\n" + b"a" * 0x10000 + b"\r\n"
    head = f"POST /sample HTTP/1.1\r\nHost: {desk.host}\r\nCookie: {desk.cookie}\r\nOrigin: {desk.url}\r\n"
    head += "Content-Type: multipart/form-data; boundary=x\r\nTransfer-Encoding: chunked\r\nConnection: close\r\n\r\n"
    first = b'--x\r\nContent-Disposition: form-data; name="files"; filename="a"\r\n\r\n'
    body = b"%x\r\n%s\r\n" % (len(first), first) + chunk * 20 + b"0\r\n\r\n"
    assert desk.raw(head.encode() + body).startswith(b"HTTP/1.1 413")


def test_limits_on_files_and_fields(desk):
    assert desk.change("/work", files=[("a.png", b"x")] * 41)[0] == 400
    assert desk.change("/work", {f"f{i}": "x" for i in range(120)})[0] == 400
    assert desk.change("/work", {"text": "x" * 300_000})[0] == 400


@pytest.mark.parametrize(
    "body",
    [b"", b"--y\r\n\r\n--y--", b"--x\r\nContent-Disposition: form-data\r\n\r\nx\r\n--x--", b"\xff" * 2000, b"--x--"],
    ids=["empty", "other boundary", "no name", "bytes", "nothing"],
)
def test_malformed_forms_are_refused(desk, body):
    kind = "multipart/form-data; boundary=x"
    assert desk.ask("POST", "/work", body, Origin=desk.url, Content_Type=kind)[0] in {400, 403}


@pytest.mark.parametrize("length", ["-1", "abc", "1e3", "99 99"])
def test_malformed_lengths_are_refused(desk, length):
    assert desk.ask("POST", "/work", Origin=desk.url, Content_Length=length)[0] == 400


def test_a_page_held_back_does_not_hold_others(desk):
    with socket.create_connection(("127.0.0.1", desk.port), timeout=5) as slow:
        head = f"POST /sample HTTP/1.1\r\nHost: {desk.host}\r\nCookie: {desk.cookie}\r\nOrigin: {desk.url}\r\n"
        slow.sendall(
            head.encode() + b"Content-Type: multipart/form-data; boundary=x\r\nContent-Length: 9999\r\n\r\n--x"
        )
        assert desk.ask("GET", "/about")[0] == 200


def test_a_body_that_does_not_come_is_given_up():
    """The limit is two minutes on a desk; here a tenth of a second, on the guard alone."""
    import asyncio

    from handwriting.desk.safety import Guard

    doors = Doors(1)
    cookie = f"{doors.cookie_name}={doors.use(doors.token)}".encode()
    sent = []

    async def app(scope, receive, send):
        await receive()

    async def receive():
        await asyncio.sleep(30)

    async def send(message):
        sent.append(message)

    headers = [(b"host", b"127.0.0.1:1"), (b"cookie", cookie), (b"origin", b"http://127.0.0.1:1")]
    scope = {"type": "http", "method": "POST", "path": "/work", "headers": headers, "query_string": b""}
    asyncio.run(Guard(app, doors, body_seconds=0.1)(scope, receive, send))
    assert sent[0]["status"] == 408


def test_web_sockets_are_refused(desk):
    got = desk.raw(
        f"GET / HTTP/1.1\r\nHost: {desk.host}\r\nConnection: Upgrade\r\nUpgrade: websocket\r\n"
        "Sec-WebSocket-Version: 13\r\nSec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA==\r\n\r\n".encode(),
        patience=2,
    )
    assert b" 101 " not in got


def test_a_second_desk_on_the_same_store_is_refused_politely(desk):
    command = [sys.executable, "-m", "handwriting.cli", "desk", "--no-browser", "--store", str(desk.store)]
    second = subprocess.run(command, capture_output=True, text=True, cwd=ROOT, timeout=60, check=False)
    assert second.returncode == 2
    assert "a desk is open on these records already" in second.stderr and "Traceback" not in second.stderr
    assert desk.ask("GET", "/")[0] == 200


def test_a_taken_port_is_one_sentence(desk, tmp_path):
    command = [sys.executable, "-m", "handwriting.cli", "desk", "--no-browser", "--port", str(desk.port)]
    second = subprocess.run(
        [*command, "--store", str(tmp_path / "r.sqlite")],
        capture_output=True,
        text=True,
        cwd=ROOT,
        timeout=60,
        check=False,
    )
    assert second.returncode == 2 and "is taken" in second.stderr and "Traceback" not in second.stderr


def test_a_folder_that_cannot_be_used_is_one_sentence(tmp_path):
    (tmp_path / "file").write_text("x")
    command = [
        sys.executable,
        "-m",
        "handwriting.cli",
        "desk",
        "--no-browser",
        "--store",
        str(tmp_path / "file" / "r.db"),
    ]
    refused = subprocess.run(command, capture_output=True, text=True, cwd=ROOT, timeout=60, check=False)
    assert refused.returncode == 30 and "cannot be used" in refused.stderr and "Traceback" not in refused.stderr


HOSTILE = "<script>alert(1)</script>\"'><img src=x onerror=alert(2)>"


@pytest.mark.parametrize(
    "field", ["text", "reached", "term", "paper", "tool", "country", "said", "supervised", "code", "age"]
)
def test_script_in_a_field_is_text_or_refused(desk, field):
    status, _, body = desk.change("/work", {field: HOSTILE, "text": "some words"} | {field: HOSTILE}, [("a.png", TINY)])
    shown = json.loads(body)
    if status == 200:
        page = desk.ask("GET", f"/work/{shown['ids'][0]}")[2].decode()
        assert "<script>alert" not in page and "<img src=x" not in page
        assert desk.change(f"/work/{shown['ids'][0]}/remove")[0] == 200
    else:
        assert status == 422 and shown["sentence"]


@pytest.mark.parametrize(
    "name", [HOSTILE.replace('"', "%22"), "..\\\\..\\\\x.png", "../../../etc/x.png", "a" * 500, "\u202egnp.x"]
)
def test_a_file_name_is_text_and_never_a_path(desk, name):
    status, _, body = desk.change("/work", files=[(name, TINY)])
    assert status == 200
    work = json.loads(body)["ids"][0]
    page = desk.ask("GET", "/")[2].decode() + desk.ask("GET", f"/work/{work}")[2].decode()
    assert "<script>alert" not in page and "<img src=x" not in page
    assert desk.change(f"/work/{work}/remove")[0] == 200
    assert not list(desk.store.parent.rglob("x.png"))


@pytest.mark.parametrize("name", ["report.html", "record.json", "measures.csv", "overlay.png"])
def test_downloads_are_attachments_under_the_programs_own_names(desk, sample, name):
    status, headers, body = desk.ask("GET", f"/work/{sample}/files/{name}")
    assert status == 200 and headers["content-disposition"] == f'attachment; filename="{name}"'
    if name == "report.html":
        assert b"<script" not in body and b'http-equiv="Content-Security-Policy"' in body


@pytest.fixture(scope="module")
def sample(desk):
    """The sample page, measured."""
    work = json.loads(desk.change("/sample")[2])["ids"][0]
    assert desk.wait(work)["stage"] == "measured"
    return work


def test_the_picture_is_made_anew_without_what_the_camera_wrote(desk):
    import io

    from PIL import Image

    out = io.BytesIO()
    exif = Image.Exif()
    exif[0x010E], exif[0x013B] = "canary-description", "canary-artist"
    exif.get_ifd(0x8825)[1] = "N"
    Image.open(SAMPLE).convert("RGB").save(
        out, "JPEG", quality=90, exif=exif, dpi=(300, 300), comment=b"canary-comment"
    )
    assert b"canary" in out.getvalue()
    work = json.loads(desk.change("/work", files=[("a.jpg", out.getvalue())])[2])["ids"][0]
    assert desk.wait(work)["stage"] == "measured"
    assert b"canary" not in desk.ask("GET", f"/work/{work}/picture.jpg")[2]
    folder = next(desk.store.parent.rglob(work))
    for _ in range(100):
        if not (folder / "original").exists():
            break
        import time

        time.sleep(0.1)
    assert not [p for p in folder.iterdir() if b"canary" in p.read_bytes()]
    assert desk.change(f"/work/{work}/remove")[0] == 200


def test_the_record_does_not_hold_the_files_name(desk):
    work = json.loads(desk.change("/work", files=[("canary of a child.png", PNG)])[2])["ids"][0]
    assert desk.wait(work)["stage"] == "measured"
    for name in ("record.json", "report.html", "measures.csv"):
        assert b"canary" not in desk.ask("GET", f"/work/{work}/files/{name}")[2]
    assert desk.change(f"/work/{work}/remove")[0] == 200


def test_files_are_private(desk, sample):
    if sys.platform == "win32":
        pytest.skip("rights are kept otherwise there")
    folder = next(desk.store.parent.rglob(sample))
    assert folder.stat().st_mode & 0o077 == 0
    assert not [p.name for p in folder.iterdir() if p.stat().st_mode & 0o077]


def test_errors_show_no_path_and_no_trace(desk, sample):
    for status, _, body in (
        desk.ask("GET", "/nothing"),
        desk.change(f"/work/{sample}/correct", {"correction": "{"}),
        desk.change(f"/work/{sample}/correct", {"correction": "[]"}),
        desk.change(f"/work/{sample}/correct", {"correction": '{"kind": "no"}'}),
        desk.change(f"/work/{sample}/correct", {"correction": '{"kind": "split", "at": [1e999, 2]}'}),
        desk.change("/work", files=[("a.png", b"not a picture")]),
    ):
        assert status in {200, 400, 404, 422}, body
        assert b"Traceback" not in body and str(ROOT).encode() not in body and b'File "' not in body


def test_the_log_holds_no_names_texts_or_pictures(desk, sample):
    desk.ask("GET", "/canary-in-a-path")
    desk.change("/work", {"text": "canary words", "code": "CANARY-1"}, [("canary.png", b"x")])
    log = desk.log.read_text()
    assert "POST /work 200" in log and "GET - 404" in log and "GET /work/{id} 200" in log
    assert "canary" not in log.lower() and sample not in log and desk.token not in log
