"""HTTP for machines: `/metrics`, `/healthz` and `/status`. Nothing here changes anything.

`/healthz` answers two questions. *Ready* (the HTTP status): are the vessels being driven now? It is 503 while the
broker is away, which a restart would not mend: a restart switches every output off and starts their protective
off times anew. *Live* (in the body): do scans progress? Only if that is false does a restart help, and there the
service manager's watchdog, which the scan itself feeds, comes first. Do not let a supervisor restart on 503 alone.
"""

import asyncio
import contextlib
import socket
from collections.abc import Iterator

import uvicorn
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp

from controller.hmi.metrics import exposition, private_registry
from controller.hmi.service_health import no_scan_text
from controller.hmi.shell import Pulse, View
from controller.hmi.status import status_dict
from controller.hmi.words import Json

_HEADERS = {"Cache-Control": "no-store", "X-Content-Type-Options": "nosniff"}


def health(pulse: Pulse) -> tuple[bool, Json]:
    """Whether the daemon is ready, and the body that says so: {"ready", "live", "reasons"}."""
    reasons = [] if pulse.live else [no_scan_text(pulse.since_scan_s, pulse.scan_s)]
    if not pulse.broker_connected:
        reasons.append("broker not connected: no readings come in and no commands go out")
    if pulse.undrivable:
        reasons.append(f"outputs not drivable: {pulse.undrivable}")
    return not reasons, {"ready": not reasons, "live": pulse.live, "reasons": reasons}


def application(view: View) -> Starlette:
    """The ASGI application. Routes are explicit: none redirects, unknown paths are 404."""
    registry = private_registry(view.snapshot, view.counts)

    async def metrics(request: Request) -> Response:
        body, content_type = exposition(registry, request.headers.get("accept", ""))
        return Response(body, headers={**_HEADERS, "Content-Type": content_type})

    async def healthz(request: Request) -> Response:
        ready, body = health(view.pulse())
        return JSONResponse(body, 200 if ready else 503, headers=_HEADERS)

    async def status(request: Request) -> Response:
        snapshot = view.snapshot()
        if snapshot is None:
            return JSONResponse({"error": "no scan yet"}, 503, headers=_HEADERS)
        return JSONResponse(status_dict(*snapshot, view.display, pulse=view.pulse()), headers=_HEADERS)

    app = Starlette(routes=[Route("/metrics", metrics), Route("/healthz", healthz), Route("/status", status)])
    app.router.redirect_slashes = False
    return app


class Server(uvicorn.Server):
    """uvicorn that leaves the process's signals to the daemon, which has outputs to switch off first."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Capture none. (uvicorn's own would raise the signal again when it ends, and cut our clean-up short.)"""
        yield


async def serve(app: ASGIApp, host: str, port: int) -> None:
    """Serve `app` until cancelled; then let open requests end for at most 2 s.

    Raises:
        OSError: the address cannot be had. (Found here: uvicorn itself would end the whole process.)
    """
    with _listening(host, port) as listener:
        config = uvicorn.Config(
            app, log_config=None, access_log=False, lifespan="off", server_header=False, timeout_graceful_shutdown=2
        )
        server = Server(config)
        serving = asyncio.create_task(server.serve(sockets=[listener]), name="http")
        try:
            await asyncio.shield(serving)
        except asyncio.CancelledError:
            server.should_exit = True
            await serving
            raise


def _listening(host: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    try:
        return socket.create_server((host, port), family=family, backlog=64)
    except OSError as fault:
        raise OSError(
            fault.errno, f"http: cannot listen on {host} port {port} ({fault.strerror}); choose another port or address"
        ) from fault
