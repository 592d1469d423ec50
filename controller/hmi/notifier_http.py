"""One HTTP call to a secret address. What went wrong is told without the address, or anything that quotes it."""

import base64
import ssl
from http.client import HTTPMessage
from typing import IO
from urllib.error import HTTPError, URLError
from urllib.parse import unquote, urlsplit, urlunsplit
from urllib.request import HTTPRedirectHandler, Request, build_opener

import controller

TIMEOUT_S = 10.0  # of each step: connect, send, first line of the answer


class CallFailed(Exception):
    """Why a call did not succeed; never with the address. `lasting`: no other try will do better."""

    def __init__(self, cause: str, lasting: bool = False) -> None:
        super().__init__(cause)
        self.lasting = lasting


class _StayHere(HTTPRedirectHandler):
    """A secret is not carried on to wherever the answer points: a redirection is an error."""

    def redirect_request(
        self, req: Request, fp: IO[bytes], code: int, msg: str, headers: HTTPMessage, newurl: str
    ) -> None:
        """No other request."""


def call(url: str, json_body: bytes | None = None, timeout_s: float = TIMEOUT_S) -> None:
    """GET `url`, or POST `json_body` to it; returns on an answer of 200..299. Name and password in the URL go as
    basic authentication (RFC 7617).

    Raises:
        CallFailed: no connection, no answer within the time, or another answer.
    """
    try:
        with build_opener(_StayHere()).open(_request(url, json_body), timeout=timeout_s):
            return
    except HTTPError as error:
        with error:
            raise CallFailed(f"it answers with HTTP status {error.code}") from None
    except Exception as error:  # whatever an address or an answer provokes; its text may quote the address
        raise CallFailed(_cause(error, timeout_s)) from None


def _request(url: str, json_body: bytes | None) -> Request:
    parts = urlsplit(url)
    user, at, host = parts.netloc.rpartition("@")
    request = Request(urlunsplit(parts._replace(netloc=host)), data=json_body)
    request.add_header("User-Agent", f"cellarhand/{controller.__version__}")
    if json_body is not None:
        request.add_header("Content-Type", "application/json")
    if at:
        request.add_header("Authorization", f"Basic {base64.b64encode(unquote(user).encode()).decode()}")
    return request


def _cause(error: Exception, timeout_s: float) -> str:
    reason = error.reason if isinstance(error, URLError) else error
    if isinstance(reason, TimeoutError):
        return f"no answer within {timeout_s:g} s"
    if isinstance(reason, ssl.SSLCertVerificationError):
        return "its certificate is not one to trust"
    if isinstance(reason, OSError) and reason.strerror:
        return reason.strerror
    return f"the call failed ({type(reason).__name__})"
