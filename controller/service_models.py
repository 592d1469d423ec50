"""Models of the parts of a site file that are about the service: broker, page, history, messages out."""

import os
import re
from datetime import time
from pathlib import Path
from typing import Annotated, NamedTuple

from pydantic import BeforeValidator, Field, ValidationInfo, field_validator, model_validator

from controller import defaults
from controller.faults import Wrong, shown
from controller.model_types import FilePath, Line, Part, Port, Slug, a_duration, context_of, one_of
from controller.regular_file import open_regular

_LARGEST_SECRET_BYTES = 4096
_URL = re.compile(r"[A-Za-z][A-Za-z0-9+.-]{0,30}://[^\s]+")
_WEB = re.compile(r"https?://[^\s/]+[^\s]*")
CLOCK_TIME = 'a time of day such as "22:00"'


def is_web(url: str) -> bool:
    """Whether an address is a plain web address."""
    return _WEB.fullmatch(url) is not None


class Secret(NamedTuple):
    """A secret that was read, and whether every user of the machine can read its file."""

    text: str
    world_readable: bool

    def __repr__(self) -> str:
        return "Secret(...)"


def _a_secret_file(what: str) -> BeforeValidator:
    """The path of a file whose one line is `what`."""

    def read(value: object, info: ValidationInfo) -> Secret:
        if not isinstance(value, str) or not value or "\0" in value:
            raise Wrong(shown(value), f"the path of a file that holds the {what}")
        path = context_of(info).directory / value
        try:
            with open_regular(path) as stream:
                text = stream.read(_LARGEST_SECRET_BYTES).decode().strip("\r\n")
                world_readable = bool(os.fstat(stream.fileno()).st_mode & 0o004)
        except (OSError, ValueError) as error:
            reason = error.strerror if isinstance(error, OSError) and error.strerror else "not text"
            raise Wrong(
                f"{shown(value)} ({reason.lower()})", f"a file with the {what} that this user can read"
            ) from None
        if not text:
            raise Wrong(f"{shown(value)}, which is empty", f"a file that holds the {what}")
        return Secret(text, world_readable)

    return BeforeValidator(read)


def _a_secret_variable(what: str) -> BeforeValidator:
    """The name of an environment variable that holds `what`."""

    def read(value: object) -> Secret:
        example = f"{what.split()[-1].upper()}"
        if not isinstance(value, str) or not value.isidentifier():
            raise Wrong(shown(value), f"the name of an environment variable, such as BROKER_{example}")
        text = os.environ.get(value, "")
        if not text:
            raise Wrong(f"{shown(value)}, which is not set", f"an environment variable that holds the {what}")
        return Secret(text, False)

    return BeforeValidator(read)


def _clock_time(value: object) -> time:
    match = re.fullmatch(r"([0-9]{1,2}):([0-9]{2})", value) if isinstance(value, str) else None
    if match is None or int(match[1]) > 23 or int(match[2]) > 59:
        raise Wrong(shown(value), f"{CLOCK_TIME}, from 00:00 to 23:59")
    return time(int(match[1]), int(match[2]))


PasswordFile = Annotated[Secret, _a_secret_file("password")]
PasswordVariable = Annotated[Secret, _a_secret_variable("password")]
UrlFile = Annotated[Secret, _a_secret_file("address (URL)")]
UrlVariable = Annotated[Secret, _a_secret_variable("URL")]
ClockTime = Annotated[time, BeforeValidator(_clock_time)]


class TlsPart(Part):
    """An encrypted connection to the broker; an empty block `{}` trusts the authorities that the system knows."""

    ca_file: FilePath | None = None
    certificate_file: FilePath | None = None
    key_file: FilePath | None = None

    @field_validator("ca_file")
    @classmethod
    def _authorities(cls, path: Path | None) -> Path | None:
        if path is not None:
            import ssl  # only here: most sites have no TLS, and it is slow to load

            _readable(path, "a file with the authority's certificate (PEM) that this user can read")
            try:
                ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT).load_verify_locations(cafile=path)
            except (ssl.SSLError, OSError):
                raise Wrong(
                    f"{shown(str(path))}, which holds no certificate", "the authority's certificate as PEM"
                ) from None
        return path

    @field_validator("key_file")
    @classmethod
    def _key_of_the_certificate(cls, path: Path | None, info: ValidationInfo) -> Path | None:
        certificate = info.data.get("certificate_file")
        if path is not None and certificate is not None:
            import ssl

            _readable(path, "a file with the key (PEM, without a passphrase) that this user can read")
            try:
                # An empty passphrase: one that is asked for on the terminal would hang a service.
                ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT).load_cert_chain(certificate, path, password="")
            except (ssl.SSLError, OSError, ValueError):
                raise Wrong(
                    f"{shown(str(path))}, which does not fit the certificate",
                    "the key of certificate_file, both as PEM, the key without a passphrase",
                ) from None
        return path

    @field_validator("certificate_file")
    @classmethod
    def _certificate(cls, path: Path | None) -> Path | None:
        if path is not None:
            _readable(path, "a file with our certificate (PEM) that this user can read")
        return path

    @model_validator(mode="after")
    def _both_or_none(self) -> "TlsPart":
        for has, lacks in (("certificate_file", "key_file"), ("key_file", "certificate_file")):
            if getattr(self, has) is not None and getattr(self, lacks) is None:
                raise Wrong(f"{has} alone", f"{lacks} beside it", (has,))
        return self


def _readable(path: Path, right: str) -> None:
    try:
        open_regular(path).close()
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else "not a path"
        raise Wrong(f"{shown(str(path))} ({reason.lower()})", right) from None


class BrokerPart(Part):
    """The MQTT broker. The password is never written in the file itself."""

    host: Line = Field(description="the broker's name or address, such as 127.0.0.1")
    port: Port | None = None
    user: Line | None = None
    password_file: PasswordFile | None = None
    password_env: PasswordVariable | None = None
    tls: TlsPart | None = None

    @field_validator("password_file", "password_env")
    @classmethod
    def _one_password(cls, secret: Secret | None, info: ValidationInfo) -> Secret | None:
        if secret is not None and info.data.get("password_file") is not None:
            raise Wrong("both password_file and password_env", "one of them")
        if secret is not None and "user" in info.data and info.data["user"] is None:
            raise Wrong("a password without a user", "a user beside the password")
        return secret


class HttpPart(Part):
    """Where the page, the API and the metrics are served."""

    host: Line = defaults.HTTP_HOST
    port: Port | None = None


class HistoryPart(Part):
    """How finely the store remembers, and how long."""

    sample_every: Annotated[float, a_duration("1 s", "60 s")] = defaults.SAMPLE_S
    keep_samples: Annotated[float, a_duration("1 d", "3660 d")] = defaults.KEEP_SAMPLES_S
    keep_minutes: Annotated[float, a_duration("1 d", "36600 d")] = defaults.KEEP_MINUTES_S
    keep_records: Annotated[float, a_duration("30 d", "36600 d")] | None = None

    @field_validator("sample_every")
    @classmethod
    def _whole_and_fits_a_minute(cls, seconds: float) -> float:
        if 60.0 % seconds or seconds % 1.0:
            raise Wrong(f"{seconds:g} s", "a time that a minute is a multiple of, such as 10 s")
        return seconds


class _SecretUrl(Part):
    """An address that is a secret, from a file or the environment."""

    url_file: UrlFile | None = None
    url_env: UrlVariable | None = None

    @model_validator(mode="after")
    def _one_url(self) -> "_SecretUrl":
        if (self.url_file is None) == (self.url_env is None):
            found = "no address" if self.url_file is None else "both url_file and url_env"
            raise Wrong(found, "one of url_file and url_env")
        key = "url_file" if self.url_file is not None else "url_env"
        if not self._is_right(self.url):
            raise Wrong("something that is no address there", self._right(), (key,))
        return self

    @property
    def url(self) -> str:
        """The address itself."""
        secret = self.url_file or self.url_env
        return secret.text.strip() if secret else ""

    @staticmethod
    def _is_right(url: str) -> bool:
        return _URL.fullmatch(url) is not None

    @staticmethod
    def _right() -> str:
        return "an address of the form scheme://..."


class TargetPart(_SecretUrl):
    """One place to send messages to."""

    name: Slug = Field(description="a short name, such as phone")
    least: Annotated[str, one_of("low", "medium", "high")] = "low"


class QuietPart(Part):
    """Hours in which only what cannot wait is sent; they may span midnight."""

    begin: ClockTime = Field(alias="from", description=CLOCK_TIME)
    end: ClockTime = Field(alias="to", description=CLOCK_TIME)

    @field_validator("end")
    @classmethod
    def _not_the_same(cls, end: time, info: ValidationInfo) -> time:
        if end == info.data.get("begin"):
            raise Wrong(f"{end:%H:%M} for both", "two different times")
        return end


class NotificationsPart(Part):
    """Messages to people."""

    targets: list[TargetPart] = Field(min_length=1, max_length=20, description="a list of at least one target")
    quiet: QuietPart | None = None
    daily_at: ClockTime | None = None

    @field_validator("targets")
    @classmethod
    def _names_differ(cls, targets: list[TargetPart]) -> list[TargetPart]:
        names = [target.name for target in targets]
        for number, name in enumerate(names):
            if name in names[:number]:
                raise Wrong(shown(name), "another name for each target", (number, "name"))
        return targets


class HeartbeatPart(_SecretUrl):
    """A watcher outside the house that raises the alarm when it is not called any more."""

    every: Annotated[float, a_duration("30 s", "1 d")] = defaults.HEARTBEAT_S

    @staticmethod
    def _is_right(url: str) -> bool:
        return is_web(url)

    @staticmethod
    def _right() -> str:
        return "an address of the form https://..."
