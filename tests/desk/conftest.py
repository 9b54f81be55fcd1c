"""A desk as a person starts it: the command in a process of its own, on a store of its own."""

import contextlib
import os
import re
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
SAMPLE = ROOT / "samples" / "able.png"


class Running:
    """One running desk; `cookie` and `token` as the browser that opened it has them."""

    def __init__(self, store):
        self.store = store
        self.process, self.link, self.port, self.cookie, self.token = None, "", 0, "", ""
        self.log = store.parent / "log.txt"

    @property
    def host(self):
        return f"127.0.0.1:{self.port}"

    @property
    def url(self):
        return f"http://{self.host}"

    def start(self, *options):
        command = [
            sys.executable,
            "-m",
            "handwriting.cli",
            "desk",
            "--no-browser",
            "--log",
            "--store",
            str(self.store),
            *options,
        ]
        environment = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                command,
                stdout=subprocess.PIPE,
                stderr=log,
                text=True,
                cwd=ROOT,
                env=environment,
                start_new_session=True,
            )
        for line in self.process.stdout:
            if found := re.search(r"http://127\.0\.0\.1:(\d+)/open\?token=\S+", line):
                self.link, self.port = found.group(), int(found.group(1))
                break
        else:
            self.kill()
            raise AssertionError(f"the desk did not start: {self.log.read_text()}")
        return self

    def open(self):
        """Use the opening link as a browser does, and read the token of its pages."""
        status, headers, _ = self.ask("GET", self.link.removeprefix(self.url), cookie="")
        assert status == 303 and headers["location"] == "/"
        self.cookie = headers["set-cookie"].split(";")[0]
        self.token = re.search(r'name="desk-token" content="(\w+)"', self.ask("GET", "/")[2].decode()).group(1)
        return self

    def raw(self, request, *, patience=60):
        """Send bytes and return all that comes back."""
        with socket.create_connection(("127.0.0.1", self.port), timeout=patience) as link:
            with contextlib.suppress(BrokenPipeError, ConnectionResetError):
                link.sendall(request)
            got = b""
            with contextlib.suppress(TimeoutError, ConnectionResetError):
                while more := link.recv(1 << 16):
                    got += more
        return got

    def ask(self, method, path, body=b"", *, cookie=None, host=None, **headers):
        """One request, header by header as given (underscores for hyphens); returns status, headers and body."""
        cookie = self.cookie if cookie is None else cookie
        lines = [f"{method} {path} HTTP/1.1", f"Host: {host or self.host}", "Connection: close"]
        lines += [f"Cookie: {cookie}"] if cookie else []
        lines += [f"{k.replace('_', '-')}: {v}" for k, v in headers.items()]
        if method == "POST" and "Content_Length" not in headers and "Transfer_Encoding" not in headers:
            lines.append(f"Content-Length: {len(body)}")
        got = self.raw("\r\n".join(lines).encode("latin-1") + b"\r\n\r\n" + body)
        head, _, rest = got.partition(b"\r\n\r\n")
        first, *others = head.decode("latin-1").split("\r\n")
        pairs = (line.split(": ", 1) for line in others)
        return int(first.split()[1]), {k.lower(): v for k, v in pairs}, rest

    def change(self, path, fields=None, files=(), **headers):
        """A change as the desk's own page asks for it, as far as `headers` do not say otherwise."""
        given = {"token": self.token, **(fields or {})}
        body = b""
        for name, value in given.items():
            body += f'--x\r\nContent-Disposition: form-data; name="{name}"\r\n\r\n'.encode()
            body += value.encode() + b"\r\n"
        for name, content in files:
            head = f'--x\r\nContent-Disposition: form-data; name="files"; filename="{name}"\r\n'
            body += head.encode() + b"Content-Type: image/png\r\n\r\n" + content + b"\r\n"
        body += b"--x--\r\n"
        usual = {"Origin": self.url, "Content_Type": "multipart/form-data; boundary=x", "Accept": "application/json"}
        sent = {k: v for k, v in (usual | headers).items() if v is not None}
        return self.ask("POST", path, body, **sent)

    def wait(self, work, seconds=60):
        """Wait until a page is measured or refused; return its status."""
        import json

        ends = time.monotonic() + seconds
        while time.monotonic() < ends:
            now = json.loads(self.ask("GET", f"/work/{work}/status")[2])
            if now["stage"] != "waiting":
                return now
            time.sleep(0.02)
        raise AssertionError("the page was not measured in time")

    def kill(self):
        """End the whole process group at once, as a power cut would."""
        with contextlib.suppress(ProcessLookupError):
            os.killpg(self.process.pid, signal.SIGKILL)
        self.process.wait()
        self.process.stdout.close()

    def stop(self):
        self.process.terminate()
        try:
            self.process.wait(15)
        except subprocess.TimeoutExpired:
            self.kill()
        self.process.stdout.close()


@pytest.fixture(scope="session")
def desk(tmp_path_factory):
    """One desk for all tests that do not end it."""
    running = Running(tmp_path_factory.mktemp("desk") / "records.sqlite").start()
    running.open()
    yield running
    running.stop()


@pytest.fixture
def own_desk(tmp_path):
    """A desk of the test's own, which it may end; not yet opened."""
    running = Running(tmp_path / "records.sqlite").start()
    yield running
    running.stop()
