"""Encryption of the connection to the broker: what we trust, who we are, and what a failed handshake means in words.

The files are read anew for each attempt, so that a renewed certificate needs no restart. A file that cannot be used
fails that attempt alone.
"""

import socket
import ssl
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

from controller.installation import Tls

LARGEST_FILE_BYTES = 1_000_000  # our choice: four times a bundle of all public authorities
CLOCK = (
    "this machine's clock is wrong: it believes the time of this message (a small board without a battery clock "
    "starts with a wrong one)"
)

# X509_V_ERR_* of OpenSSL's x509_vfy.h
NOT_YET_VALID, EXPIRED = 9, 10
UNKNOWN_ISSUERS = (2, 18, 19, 20, 21)
OTHER_NAMES = (62, 64)

# Alerts of RFC 8446 (TLS 1.3), section 6.2, as OpenSSL names them; the first that occurs in a reason tells.
ALERTS = (
    ("CERTIFICATE_REQUIRED", "it wants a client certificate and got none: give certificate_file and key_file"),
    ("UNKNOWN_CA", "it does not know the authority that has signed our client certificate (certificate_file)"),
    ("CERTIFICATE_EXPIRED", "our client certificate (certificate_file) has expired, or the broker's clock is wrong"),
    ("CERTIFICATE_REVOKED", "our client certificate (certificate_file) has been revoked"),
    ("CERTIFICATE", "our client certificate (certificate_file) does not suit it: wrong kind, or not yet valid there"),
    ("DECRYPT_ERROR", "our client certificate (certificate_file) was not signed by the authority that it names"),
    ("PROTOCOL_VERSION", "it speaks no version of TLS that is still safe: 1.2 is the least"),
    ("UNSUPPORTED_PROTOCOL", "it speaks no version of TLS that is still safe: 1.2 is the least"),
    ("HANDSHAKE_FAILURE", "it may want a client certificate (certificate_file and key_file)"),
)
NOT_TLS = ("WRONG_VERSION_NUMBER", "UNEXPECTED_EOF", "RECORD_LAYER_FAILURE", "HTTP_REQUEST")


class TlsFileFault(OSError):
    """A file of the `tls` section cannot be used; the text says which, and why."""


class TlsSocket(ssl.SSLSocket):
    """A socket that remembers with its context why the other side ended it. With TLS 1.3 a broker that does not like
    our certificate says so only after the handshake, where the library takes it for any lost connection."""

    def recv(self, *arguments: Any, **named: Any) -> bytes:
        try:
            return super().recv(*arguments, **named)
        except (ssl.SSLWantReadError, ssl.SSLWantWriteError):
            raise
        except ssl.SSLError as error:
            if isinstance(self.context, TlsContext):
                self.context.alert = error
            raise

    def send(self, *arguments: Any, **named: Any) -> int:
        try:
            return super().send(*arguments, **named)
        except (ssl.SSLWantReadError, ssl.SSLWantWriteError):
            raise
        except OSError:
            with suppress(OSError):  # the other side hung up: its complaint may have come in before
                self.recv(1)
            raise


class TlsContext(ssl.SSLContext):
    """Settings of one connection. `alert` is the broker's complaint after the handshake, None without one."""

    sslsocket_class = TlsSocket
    alert: ssl.SSLError | None = None

    def wrap_socket(self, sock: socket.socket, *arguments: Any, **named: Any) -> ssl.SSLSocket:
        """As the base class, with the handshake done within the time-out of `sock`; a failed one closes it."""
        wrapped = super().wrap_socket(sock, *arguments, **named)
        try:
            wrapped.do_handshake()
        except BaseException:
            wrapped.close()
            raise
        return wrapped


def tls_context(tls: Tls) -> TlsContext:
    """Settings for one connection: TLS 1.2 at least, the broker's certificate and name checked.

    Raises:
        TlsFileFault: a file is missing, unreadable, no certificate or key, or the key is not the certificate's.
    """
    context = TlsContext(ssl.PROTOCOL_TLS_CLIENT)  # checks the certificate and the host's name
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    if tls.ca_file is None:
        context.load_default_certs()
    else:
        path = _readable("ca_file", tls.ca_file)
        _load(lambda: context.load_verify_locations(path), f"ca_file {path} holds no certificate in PEM form")
    if tls.certificate_file is not None:
        certificate = _readable("certificate_file", tls.certificate_file)
        key = None if tls.key_file is None else _readable("key_file", tls.key_file)
        fault = f"certificate_file {certificate} and key_file {key} are not a certificate and its key in PEM form"

        def no_passphrase() -> str:
            raise TlsFileFault(f"key_file {key} is locked with a passphrase; nobody is here to type it: unlock a copy")

        _load(lambda: context.load_cert_chain(certificate, key, no_passphrase), fault)
    return context


def _readable(name: str, path: Path) -> Path:
    """The path, if it is a file of a sensible size that we may read."""
    try:
        if not path.is_file():
            raise TlsFileFault(f"{name} {path} is not a file" if path.exists() else f"there is no {name} {path}")
        with path.open("rb") as file:
            if len(file.read(LARGEST_FILE_BYTES + 1)) > LARGEST_FILE_BYTES:
                raise TlsFileFault(f"{name} {path} is larger than {LARGEST_FILE_BYTES} bytes: no file of certificates")
    except TlsFileFault:
        raise
    except (OSError, ValueError) as error:
        raise TlsFileFault(f"{name} {path} cannot be read: {getattr(error, 'strerror', None) or error}") from error
    return path


def _load(load: Callable[[], None], fault: str) -> None:
    try:
        load()
    except TlsFileFault:
        raise
    except ssl.SSLError as error:
        if "KEY_VALUES_MISMATCH" in (error.reason or ""):
            raise TlsFileFault("the key in key_file does not fit the certificate in certificate_file") from error
        raise TlsFileFault(fault) from error
    except (OSError, ValueError) as error:
        raise TlsFileFault(f"{fault} ({error})") from error


def explain_handshake(error: BaseException | None, host: str, place: str, tls: Tls | None) -> str | None:
    """What a failed handshake with `place` means and what to do; None if the error is no matter of TLS."""
    if isinstance(error, TlsFileFault):
        return f"no connection to the broker {place}: {error}; the file is read again at each attempt"
    if tls is None or not isinstance(error, ssl.SSLError | ConnectionResetError):
        return None
    if isinstance(error, ssl.SSLCertVerificationError):
        return _explain_certificate(error, host, place, tls)
    reason = (getattr(error, "reason", None) or "").upper().replace(" ", "_")
    if isinstance(error, ssl.SSLEOFError | ConnectionResetError) or any(word in reason for word in NOT_TLS):
        return (
            f"{place} does not answer in TLS: is this the broker's TLS port (often 8883), or does it speak plain MQTT "
            "(without `tls:` in the site file)?"
        )
    for word, meaning in ALERTS:
        if word in reason:
            return f"the broker {place} ended the encrypted connection: {meaning}"
    return f"no encrypted connection to the broker {place}: {error}"


def _explain_certificate(error: ssl.SSLCertVerificationError, host: str, place: str, tls: Tls) -> str:
    code = error.verify_code
    if code == EXPIRED:
        return f"the certificate of the broker {place} has expired, or one above it has: renew it; or {CLOCK}"
    if code == NOT_YET_VALID:
        return f"the certificate of the broker {place} is not yet valid, or one above it is not; or {CLOCK}"
    if code in OTHER_NAMES:
        return (
            f'the certificate of the broker {place} is not for the name "{host}": write the host as the certificate '
            "has it, or have a certificate made for this name"
        )
    if code in UNKNOWN_ISSUERS:
        where = "the authorities that this system knows" if tls.ca_file is None else f"ca_file {tls.ca_file}"
        cure = "give its authority as ca_file" if tls.ca_file is None else "is this the right authority?"
        return f"the certificate of the broker {place} is not signed by {where}: {cure}"
    return f"the certificate of the broker {place} is not accepted: {error.verify_message}"
