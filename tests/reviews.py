"""A small archive to review: one tape with findings put in by hand, one as it came out."""

from __future__ import annotations

import asyncio
import json
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from http.cookies import SimpleCookie
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import soundfile
from test_making import RATE_HZ, Here, digitize, side_of_tape

from pipeline.archive import Archive
from pipeline.finish import read_qc
from pipeline.ledger import Ledger
from pipeline.qc import Finding, Severity
from pipeline.source import read_source
from pipeline.step import Desk
from pipeline.tape import seal_tape

NOW = datetime(2026, 3, 4, 5, 6, 7, tzinfo=UTC)
FOUND = (
    Finding("gap", Severity.FAIL, "samples are missing", 14.5, 14.52, None, None),
    Finding("speed-off", Severity.WARN, "the deck ran 1.80 % slow", None, None, 1.8, 1.5),
    Finding("dropout", Severity.WARN, "the level drops out", 9.25, 9.3, 18.0, None),
    *(Finding("click", Severity.WARN, "a click", 12.0 + n / 8, 12.001 + n / 8, 20.0, None) for n in range(30)),
    Finding("speed-corrected", Severity.INFO, "corrected", None, None, 0.9, 1.5),
)


def make_archive(folder: Path) -> Path:
    """Tapes R1 (its findings are `FOUND`) and R2, a side each, 24 s, with a tone of 436 Hz for 440."""
    box = folder / "box"
    (box / "captures").mkdir(parents=True)
    for name, seed in (("R1", 1), ("R2", 3)):
        soundfile.write(box / "captures" / f"{name}.wav", side_of_tape(seed, True), RATE_HZ, subtype="PCM_24")
    bench = "[[bench]]\ndate = 2026-01-05\nerror_percent = -0.8\nuncertainty_percent = 0.01\n"
    (box / "deck.toml").write_text(f'[deck]\nlabel = "bench mule"\n{bench}')
    (box / "box.toml").write_text(
        '[box]\nid = "moor-1"\ntitle = "Moor"\nowner = "Nobody"\nrights = "none"\nlanguage = "eng"\n'
        '[deck]\nfile = "deck.toml"\n[reference]\ntone_hz = [440.0]\n'
    )
    title = "<script>alert(1)</script> Grüße"
    (box / "tapes.csv").write_text(
        f"tape,side,capture,title\nR1,A,captures/R1.wav,{title}\nR2,A,captures/R2.wav,Two\n", encoding="utf-8"
    )
    root = folder / "archive"
    digitize(box, root)
    put_in(root, "R1", FOUND)
    return root


def put_in(root: Path, tape: str, findings: tuple[Finding, ...]) -> None:
    """Seal the tape again as if its first side had been judged so."""
    archive = Archive(root)
    folder = archive.sealed(tape)
    source, deck = read_source(folder)
    first, *others = read_qc(folder).sides
    desk = Desk(archive, Ledger(archive.state / "ledger"))
    seal_tape(source, deck, [replace(first, findings=findings), *others], (), desk, Here(), NOW)


@dataclass(frozen=True)
class Answered:
    status_code: int
    headers: dict[str, str]
    content: bytes

    @property
    def text(self) -> str:
        return self.content.decode()

    def json(self) -> Any:
        return json.loads(self.content)


class Browser:
    """Asks an ASGI application in this process, as a server hands it on: paths as they were sent, dots and all."""

    def __init__(self, app: Any, host: str) -> None:
        self._app = app
        self.headers = {"host": host}
        self.cookies: dict[str, str] = {}

    def get(self, target: str, headers: dict[str, str] | None = None) -> Answered:
        return self.request("GET", target, headers or {})

    def post(self, target: str, body: Any, headers: dict[str, str] | None = None) -> Answered:
        content = body if isinstance(body, bytes) else json.dumps(body).encode()
        return self.request("POST", target, {"content-type": "application/json", **(headers or {})}, content)

    def request(self, method: str, target: str, headers: dict[str, str], body: bytes = b"") -> Answered:
        raw, _, query = target.partition("?")
        sent = {**self.headers, **headers}
        if self.cookies:
            sent["cookie"] = "; ".join(f"{name}={value}" for name, value in self.cookies.items())
        scope = {
            "type": "http",
            "asgi": {"version": "3.0"},
            "http_version": "1.1",
            "method": method,
            "scheme": "http",
            "path": unquote(raw),
            "raw_path": raw.encode(),
            "query_string": query.encode(),
            "root_path": "",
            "headers": [(name.lower().encode(), value.encode()) for name, value in sent.items()],
            "client": ("127.0.0.1", 50_000),
            "server": ("127.0.0.1", 80),
        }
        answered = asyncio.run(self._ask(scope, body))
        for name, morsel in SimpleCookie(answered.headers.get("set-cookie", "")).items():
            self.cookies[name] = morsel.value
        return answered

    async def _ask(self, scope: dict[str, Any], body: bytes) -> Answered:
        left = [{"type": "http.request", "body": body, "more_body": False}]
        said: list[dict[str, Any]] = []

        async def receive() -> dict[str, Any]:
            if left:
                return left.pop()
            await asyncio.sleep(60)  # nobody leaves before the answer has come
            return {"type": "http.disconnect"}

        async def send(message: dict[str, Any]) -> None:
            said.append(message)

        await self._app(scope, receive, send)
        headers = {name.decode(): value.decode() for name, value in said[0]["headers"]}
        return Answered(said[0]["status"], headers, b"".join(message.get("body", b"") for message in said[1:]))
