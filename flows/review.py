"""``feltpad review``: an archive in the browser, to listen, decide, settle and sign. Served on loopback only.

Nothing in the archive is written but decisions and answers, and those through the same functions and commands as
`feltpad rerun`. See `flows.review_guard` for who may come in.
"""

from __future__ import annotations

import json
import secrets
import socket
import sys
import threading
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, JSONResponse, PlainTextResponse, Response
from starlette.routing import Route

from flows import settle
from flows.box import now
from flows.engines import LocalEngine
from flows.progress import watched
from flows.review_box import BoxList, box_view, neighbours, version_of
from flows.review_changes import MOST_BYTES, answers_from, name_from, rerun_arguments, wishes_from
from flows.review_guard import ARCHIVE_PAGES, HOST, Guard
from flows.review_sound import in_the_master, sound_response, wave_of
from flows.review_tiles import LEVELS, TileStore, cut_tile, packed
from flows.review_views import PAGES, REPORT_STYLE, render, tape_view
from flows.review_work import Work, run_rerun
from flows.running import find_running, noted
from pipeline.again import plan_again
from pipeline.archive import Archive
from pipeline.capture import Capture, open_capture
from pipeline.errors import ArchiveError, CaptureError, DecisionError, FeltpadError
from pipeline.finish import read_qc
from pipeline.overview import read_overview
from pipeline.qc import CopyKind, SideQC, TapeQC
from pipeline.report.summary import index_script_hash
from pipeline.settling import count_open
from pipeline.source import read_source

QUIET_S = 15.0  # after the last answer, before a tape is sealed with it
_STATIC = {"style.css": REPORT_STYLE} | {
    name: PAGES / name for name in ("review.css", "box.js", "live.js", "stage.js", "tape.js")
}
_TYPES = {".css": "text/css", ".js": "text/javascript"}
_SHOWN_TYPES = {".html": "text/html", ".json": "application/json", ".csv": "text/csv", ".toml": "text/plain"}


def serve(root: Path, port: int, open_browser: bool) -> int:
    """Serve until the person ends it with Ctrl-C; what was settled is sealed before this returns."""
    import uvicorn

    archive = Archive(root.resolve())
    if not archive.tapes():
        raise ArchiveError(f"{root}: holds no sealed tape; is it the folder given to --out?")
    with _listening(port) as listening:
        port = listening.getsockname()[1]
        token = secrets.token_urlsafe(24)
        address = f"http://{HOST}:{port}/?token={token}"
        with review_work(archive) as work:
            app = review_app(archive, work, port, token)
            print(f"Open this in a browser: {address}", flush=True)
            print("Ctrl-C here ends it. What you settle is kept at once.", file=sys.stderr)
            if open_browser:
                _open_later(address)
            settings = uvicorn.Config(app, log_level="error", lifespan="off", timeout_graceful_shutdown=1, ws="none")
            with suppress(KeyboardInterrupt):
                uvicorn.Server(settings).run(sockets=[listening])
            print("Sealing what was settled …", file=sys.stderr)
    return 0


@contextmanager
def review_work(archive: Archive, quiet_s: float = QUIET_S) -> Iterator[Work]:
    """The background work of a review; on leaving, tapes with new answers are sealed."""

    def seal(tape: str) -> None:
        with watched(1, quiet=True) as watcher, noted(watcher, archive, 1) as noting:
            settle.seal_settled(archive, tape, lambda: LocalEngine(1), noting)
            settle.summary_again(archive)

    work = Work(archive, quiet_s, run_rerun, seal)
    try:
        yield work
    finally:
        work.close()


def review_app(archive: Archive, work: Work, port: int, token: str) -> Starlette:
    """The pages, guarded; ``archive.root`` must be resolved."""
    pages = _Pages(archive, work)
    side = "/tape/{tape}/{side}"
    routes = [
        Route("/", _told(pages.box)),
        Route("/state", _told(pages.state)),
        Route("/static/{name}", _told(pages.static)),
        Route("/tape/{tape}", _told(pages.tape)),
        Route("/tape/{tape}/settle", _told(pages.settle), methods=["POST"]),
        Route("/tape/{tape}/sign", _told(pages.sign), methods=["POST"]),
        Route("/tape/{tape}/rerun", _told(pages.rerun), methods=["POST"]),
        Route(f"{side}/overview", _told(pages.overview)),
        Route(f"{side}/tile/{{level:int}}/{{index:int}}", _told(pages.tile)),
        Route(f"{side}/{{copy}}.wav", _told(pages.sound)),
        Route("/archive/{path:path}", _told(pages.file)),
    ]
    return Starlette(routes=routes, middleware=[Middleware(Guard, port=port, token=token)])


Answer = Callable[[Request, Any], Response]


def _told(answer: Answer) -> Callable[[Request], Awaitable[Response]]:
    """The answer in a thread of its own, errors we raise on purpose as words for the person."""

    async def endpoint(request: Request) -> Response:
        document = await _document(request) if request.method == "POST" else None
        try:
            return await run_in_threadpool(answer, request, document)
        except DecisionError as exc:
            return PlainTextResponse(str(exc), 422)
        except ArchiveError as exc:
            return PlainTextResponse(str(exc), 404)
        except FeltpadError as exc:
            return PlainTextResponse(str(exc), 500)

    return endpoint


async def _document(request: Request) -> Any:
    if request.headers.get("content-type", "").partition(";")[0] != "application/json":
        raise HTTPException(415, "expected JSON")
    body = b""
    async for piece in request.stream():
        body += piece
        if len(body) > MOST_BYTES:
            raise HTTPException(413, "too long")
    try:
        return json.loads(body)
    except (ValueError, RecursionError):
        raise HTTPException(400, "expected JSON") from None


class _Pages:
    def __init__(self, archive: Archive, work: Work) -> None:
        self._archive, self._work = archive, work
        self._list = BoxList(archive)
        self._tiles = TileStore()
        # Of the tape looked at last, by version: the drawing and the player ask for it again and again.
        self._record: tuple[str, str, TapeQC] | None = None

    def box(self, request: Request, _: Any) -> Response:
        """The list of tapes with what is left to review."""
        version, view = self._list.version(), box_view(self._archive, self._list.rows())
        return HTMLResponse(render("box.html.j2", {"view": view, "version": version}))

    def tape(self, request: Request, _: Any) -> Response:
        """One tape: look, listen, settle, decide, sign."""
        tape = request.path_params["tape"]
        version = version_of(self._archive, tape)  # before reading: what changes meanwhile is seen as a change
        view = tape_view(self._archive, tape)
        before, after = neighbours(self._list.rows(), tape)
        return HTMLResponse(
            render("tape.html.j2", {"view": view, "version": version, "before": before, "after": after})
        )

    def state(self, request: Request, _: Any) -> Response:
        """What a page asks every second: has anything changed, and what is being done."""
        tape = request.query_params.get("tape")
        running = find_running(self._archive)
        return JSONResponse(
            {
                "version": self._list.version() if tape is None else version_of(self._archive, self._known(tape)),
                "running": asdict(running) if running else None,
                "waiting": [asdict(entry) for entry in self._work.waiting()],
            }
        )

    def settle(self, request: Request, document: Any) -> Response:
        """Answers to findings."""
        tape = self._known(request.path_params["tape"])
        qc = settle.answer(self._archive, tape, answers_from(document))
        self._work.seal_soon(tape)
        return JSONResponse({"left": count_open(qc), "verdict": qc.verdict.value})

    def sign(self, request: Request, document: Any) -> Response:
        """A sign-off; the tape is sealed with it at once."""
        tape = self._known(request.path_params["tape"])
        qc = settle.sign_off(self._archive, tape, *name_from(document))
        self._work.seal_soon(tape, at_once=True)
        return JSONResponse({"signed": asdict(qc.signed) if qc.signed else None})

    def rerun(self, request: Request, document: Any) -> Response:
        """A side to be made again with something decided otherwise, after looking whether that can be."""
        tape = self._known(request.path_params["tape"])
        side, wishes = wishes_from(document)
        if not plan_again(self._archive, tape, side, wishes, now()).sides:
            return JSONResponse({"again": False, "told": "it is decided so already: nothing is to be made again"})
        self._work.make_again(tape, rerun_arguments(str(self._archive.root), tape, side, wishes))
        return JSONResponse({"again": True, "told": f"side {side} is to be made again"})

    def overview(self, request: Request, _: Any) -> Response:
        """The side as a whole, from the pictures kept beside the copies."""
        tape, side = self._known(request.path_params["tape"]), request.path_params["side"]
        folder = self._archive.sealed(tape)
        self._side(tape, side)
        return Response(packed(read_overview(folder.qc, side), 0.0), media_type="application/octet-stream")

    def tile(self, request: Request, _: Any) -> Response:
        """A finer piece of the side, from the preservation copy."""
        tape, side = self._known(request.path_params["tape"]), request.path_params["side"]
        level, index = request.path_params["level"], request.path_params["index"]
        if level >= LEVELS or index > 1 << 24:
            return Response(status_code=404)
        copy = self._copy(tape, self._side(tape, side), CopyKind.PRESERVATION)
        criteria = read_source(self._archive.sealed(tape))[0].settings.report.overview
        made = self._tiles.tile((copy.path, level, index), lambda: cut_tile(copy, level, index, criteria))
        return Response(made or b"", 200 if made else 404, media_type="application/octet-stream")

    def sound(self, request: Request, _: Any) -> Response:
        """A stretch of the capture, or the same stretch of the master, as WAVE; in seconds of the capture."""
        tape = self._known(request.path_params["tape"])
        side = self._side(tape, request.path_params["side"])
        kinds = {"before": CopyKind.PRESERVATION, "after": CopyKind.MASTER}
        kind = kinds.get(request.path_params["copy"])
        if kind is None:
            return Response(status_code=404)
        copy = self._copy(tape, side, kind)
        start_s, stop_s = (_seconds(request, name) for name in ("start", "stop"))
        if kind is CopyKind.MASTER:
            start_s, stop_s = (in_the_master(side.decisions, at) for at in (start_s, stop_s))
        return sound_response(wave_of(copy, start_s, stop_s), request.headers.get("range"))

    def file(self, request: Request, _: Any) -> Response:
        """A file of the archive as it is; of scripts in its pages only the one that sorts the index is run."""
        root = self._archive.root
        path = (root / request.path_params["path"]).resolve()
        inside = path.is_relative_to(root) and path.is_file()
        if not inside or any(part.startswith(".") for part in path.relative_to(root).parts):
            return PlainTextResponse("no such file in the archive", 404)
        policy = ARCHIVE_PAGES + (f"; script-src '{index_script_hash()}'" if path == root / "index.html" else "")
        media_type = _SHOWN_TYPES.get(path.suffix)
        return FileResponse(path, media_type=media_type, headers={"content-security-policy": policy})

    def static(self, request: Request, _: Any) -> Response:
        """Our own style and scripts."""
        path = _STATIC.get(request.path_params["name"])
        if path is None:
            return Response(status_code=404)
        return FileResponse(path, media_type=_TYPES[path.suffix])

    def _known(self, tape: str) -> str:
        self._archive.require(tape)
        return tape

    def _side(self, tape: str, side: str) -> SideQC:
        found = [qc for qc in self._record_of(tape).sides if qc.side == side]
        if not found:
            raise ArchiveError(f"tape {tape} has no side {side!r}")
        return found[0]

    def _record_of(self, tape: str) -> TapeQC:
        version, kept = version_of(self._archive, tape), self._record
        if kept is None or kept[:2] != (tape, version):
            self._record = kept = (tape, version, read_qc(self._archive.require(tape)))
        return kept[2]

    def _copy(self, tape: str, side: SideQC, kind: CopyKind) -> Capture:
        root = self._archive.sealed(tape).root
        record = next((copy for copy in side.copies if copy.kind is kind), None)
        path = (root / record.path).resolve() if record else root
        if record is None or not path.is_relative_to(root.resolve()):
            raise ArchiveError(f"tape {tape} side {side.side} has no {kind.value} copy here")
        try:
            return open_capture(path)
        except CaptureError as exc:
            raise ArchiveError(str(exc)) from exc


def _seconds(request: Request, name: str) -> float:
    try:
        value = float(request.query_params[name])
    except (KeyError, ValueError):
        value = -1.0
    if not 0 <= value < 1e6:
        raise DecisionError(f"{name}: expected seconds of the capture")
    return value


@contextmanager
def _listening(port: int) -> Iterator[socket.socket]:
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as listening:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listening.bind((HOST, port))
            listening.listen()
        except OSError as exc:
            raise ArchiveError(f"port {port} cannot be listened at ({exc.strerror}); give another, or none") from exc
        yield listening


def _open_later(address: str) -> None:
    import webbrowser

    opener = threading.Timer(0.5, webbrowser.open, [address])  # when we listen
    opener.daemon = True
    opener.start()
