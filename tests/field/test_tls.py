"""Encryption: certificates are made for each test by `trustme`, the broker is a real mosquitto where one is needed."""

import asyncio
import logging
import os
import socket
import ssl
import threading
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
import trustme
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.field.link import Arrived
from controller.field.mqtt import MqttLink
from controller.field.tls import TlsFileFault, tls_context
from controller.installation import Broker, Tls
from tests.field.connection import linked, running, until
from tests.servers import broker, mosquitto, pem_files, tls_listener

NOW = datetime.now(UTC)
YESTERDAY, TOMORROW, NEXT_YEAR = NOW - timedelta(days=1), NOW + timedelta(days=1), NOW + timedelta(days=365)
LONG_AGO = NOW - timedelta(days=400)
AUTHORITY = trustme.CA()


class Papers:
    """A brewer's own authority, the broker's certificate, ours, and the files of the site that point to them."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.authority, self.stranger = trustme.CA(), trustme.CA()
        self.brokers = self.authority.issue_cert("127.0.0.1")
        self.ca_file = self.ca("ca.pem", self.authority)
        self.certificate_file, self.key_file = self.ours("ours", self.authority)
        self.tls = Tls(self.ca_file, self.certificate_file, self.key_file)
        self.nameless = Tls(self.ca_file, None, None)

    def ca(self, name: str, authority: trustme.CA) -> Path:
        path = self.folder / name
        authority.cert_pem.write_to_path(path)
        return path

    def ours(
        self, name: str, authority: trustme.CA, start: datetime | None = None, end: datetime | None = None
    ) -> tuple[Path, Path]:
        certificate = authority.issue_cert("cellarhand.example", not_before=start, not_after=end)
        return pem_files(self.folder, name, certificate)


@pytest.fixture
def papers(tmp_path: Path) -> Papers:
    return Papers(tmp_path)


@pytest.fixture(autouse=True)
def hasty(monkeypatch: pytest.MonkeyPatch) -> None:
    """Short pauses, so that many attempts fit into a test."""
    monkeypatch.setattr("controller.field.mqtt.SHORTEST_PAUSE_S", 0.01)
    monkeypatch.setattr("controller.field.mqtt.LONGEST_PAUSE_S", 0.05)


async def trouble_with(mine: Broker) -> str:
    """What the brewer reads when this connection cannot be made."""
    async with running(mine) as link:
        await until(lambda: link.connected or link.trouble != "not yet connected")
        assert not link.connected
        return link.trouble


async def says_hello(link: MqttLink, arrived: list[Arrived]) -> None:
    await link.publish("node/ale", b"19.0", qos=1, retain=False, expiry_s=90)
    await until(lambda: arrived)
    assert [message.payload for message in arrived] == [b"19.0"]


@pytest.mark.servers
def test_messages_travel_encrypted_and_each_side_knows_the_other(tmp_path: Path, papers: Papers) -> None:
    arrived: list[Arrived] = []

    async def main(mine: Broker) -> None:
        async with linked(mine, "node/ale", on_message=arrived.append) as link:
            assert link._session is not None
            sock = link._session._client.socket()
            assert isinstance(sock, ssl.SSLSocket)
            assert sock.version() in ("TLSv1.2", "TLSv1.3")
            await says_hello(link, arrived)

    with mosquitto(tmp_path, tls_listener(tmp_path, papers.brokers, papers.authority)) as server:
        asyncio.run(main(broker(server.port, tls=papers.tls)))


@pytest.mark.servers
def test_many_messages_at_once_come_through_the_encrypted_connection(tmp_path: Path, papers: Papers) -> None:
    """The socket holds decrypted bytes that no poll shows: they are read all the same."""
    arrived: list[Arrived] = []

    async def main(mine: Broker) -> None:
        async with linked(mine, "node/#", on_message=arrived.append) as link:
            sending = [link.publish(f"node/{n}", b"x" * 5000, qos=1, retain=False) for n in range(300)]
            await asyncio.gather(*sending)
            await until(lambda: len(arrived) == 300)
            assert link.sessions == 1

    with mosquitto(tmp_path, tls_listener(tmp_path, papers.brokers)) as server:
        asyncio.run(main(broker(server.port, tls=papers.nameless)))


@pytest.mark.servers
def test_a_broker_of_an_authority_that_is_not_ours_is_refused(tmp_path: Path, papers: Papers) -> None:
    theirs = replace(papers.nameless, ca_file=papers.ca("theirs.pem", papers.stranger))
    with mosquitto(tmp_path, tls_listener(tmp_path, papers.brokers)) as server:
        trouble = asyncio.run(trouble_with(broker(server.port, tls=theirs)))
        assert "not signed by ca_file" in trouble
        assert "theirs.pem: is this the right authority?" in trouble
        system = asyncio.run(trouble_with(broker(server.port, tls=Tls(None, None, None))))
        assert "not signed by the authorities that this system knows: give its authority as ca_file" in system


@pytest.mark.servers
@pytest.mark.parametrize(
    ("start", "end", "told"),
    [(LONG_AGO, YESTERDAY, "has expired"), (TOMORROW, NEXT_YEAR, "is not yet valid")],
)
def test_a_certificate_out_of_its_time_makes_the_brewer_look_at_the_clock(
    tmp_path: Path, papers: Papers, start: datetime, end: datetime, told: str
) -> None:
    """A small board that boots hours or years wrong sees a sound certificate just like this."""
    certificate = papers.authority.issue_cert("127.0.0.1", not_before=start, not_after=end)
    with mosquitto(tmp_path, tls_listener(tmp_path, certificate)) as server:
        trouble = asyncio.run(trouble_with(broker(server.port, tls=papers.nameless)))
    assert told in trouble
    assert "this machine's clock is wrong" in trouble


@pytest.mark.servers
def test_a_certificate_for_another_name_is_refused(tmp_path: Path, papers: Papers) -> None:
    certificate = papers.authority.issue_cert("broker.cellar.example")
    with mosquitto(tmp_path, tls_listener(tmp_path, certificate)) as server:
        by_address = broker(server.port, tls=papers.nameless)
        assert 'is not for the name "127.0.0.1": write the host' in asyncio.run(trouble_with(by_address))
        by_name = replace(by_address, host="localhost")
        assert 'is not for the name "localhost": write the host' in asyncio.run(trouble_with(by_name))


def no_certificate(papers: Papers) -> Tls:
    return papers.nameless


def of_another_authority(papers: Papers) -> Tls:
    return Tls(papers.ca_file, *papers.ours("strange", papers.stranger))


def expired(papers: Papers) -> Tls:
    return Tls(papers.ca_file, *papers.ours("old", papers.authority, LONG_AGO, YESTERDAY))


@pytest.mark.servers
@pytest.mark.parametrize(
    ("ours", "told"),
    [
        (no_certificate, "it wants a client certificate and got none: give certificate_file and key_file"),
        (of_another_authority, "it does not know the authority that has signed our client certificate"),
        (expired, "our client certificate (certificate_file) has expired"),
    ],
)
def test_a_broker_that_does_not_like_our_certificate_is_understood(
    tmp_path: Path, papers: Papers, ours: Callable[[Papers], Tls], told: str
) -> None:
    """With TLS 1.3 (RFC 8446, 4.4.2 and 6) the broker says so only after our side of the handshake is over."""
    with mosquitto(tmp_path, tls_listener(tmp_path, papers.brokers, papers.authority)) as server:
        assert told in asyncio.run(trouble_with(broker(server.port, tls=ours(papers))))


def test_a_broker_that_hangs_up_after_the_handshake_lets_one_guess(papers: Papers) -> None:
    """The broker's complaint can be lost on the way: then only the closed connection is seen."""

    async def hang_up(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read(1000)
        writer.close()

    async def main() -> None:
        theirs = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        papers.brokers.configure_cert(theirs)
        server = await asyncio.start_server(hang_up, "127.0.0.1", 0, ssl=theirs)
        async with server:
            port = server.sockets[0].getsockname()[1]
            assert "does it want a client's too?" in await trouble_with(broker(port, tls=papers.nameless))
            assert "does it accept our certificate_file?" in await trouble_with(broker(port, tls=papers.tls))

    asyncio.run(main())


def test_a_broker_that_knows_only_old_tls_is_refused(papers: Papers) -> None:
    theirs = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    papers.brokers.configure_cert(theirs)
    theirs.set_ciphers("ALL:@SECLEVEL=0")
    with pytest.warns(DeprecationWarning, match="TLSv1_1"):
        theirs.minimum_version = theirs.maximum_version = ssl.TLSVersion.TLSv1_1

    def old_broker(listening: socket.socket) -> None:
        with suppress(OSError):
            while True:
                with listening.accept()[0] as client, suppress(ssl.SSLError):
                    theirs.wrap_socket(client, server_side=True)

    with socket.create_server(("127.0.0.1", 0)) as listening:
        thread = threading.Thread(target=old_broker, args=(listening,))
        thread.start()
        trouble = asyncio.run(trouble_with(broker(listening.getsockname()[1], tls=papers.nameless)))
        listening.shutdown(socket.SHUT_RDWR)
    thread.join()
    assert "it speaks no version of TLS that is still safe" in trouble


@pytest.mark.servers
def test_tls_on_the_plain_port_and_plain_on_the_tls_port_are_told_apart(tmp_path: Path, papers: Papers) -> None:
    with mosquitto(tmp_path) as plain:
        trouble = asyncio.run(trouble_with(broker(plain.port, tls=papers.nameless)))
        assert "does not answer in TLS: is this the broker's TLS port (often 8883)" in trouble
    with mosquitto(tmp_path, tls_listener(tmp_path, papers.brokers)) as encrypted:
        trouble = asyncio.run(trouble_with(broker(encrypted.port)))
        assert "or does it want TLS (`tls:` in the site file)?" in trouble


@pytest.mark.servers
def test_rubbish_in_the_file_of_the_authority_ends_nothing_and_a_good_file_is_found_again(
    tmp_path: Path, papers: Papers, caplog: pytest.LogCaptureFixture
) -> None:
    async def main(mine: Broker) -> None:
        good = papers.ca_file.read_bytes()
        async with linked(mine) as link:
            papers.ca_file.write_bytes(b"\x00\xffrubbish")
            server.stop()
            server.start()
            await until(lambda: "holds no certificate" in link.trouble)
            papers.ca_file.unlink()
            await until(lambda: "there is no ca_file" in link.trouble)
            papers.ca_file.write_bytes(good)
            await until(lambda: link.sessions == 2)

    with mosquitto(tmp_path, tls_listener(tmp_path, papers.brokers)) as server:
        asyncio.run(main(broker(server.port, tls=papers.nameless)))
    told = [record for record in caplog.records if "ca.pem" in record.message]
    assert [record.levelno for record in told] == [logging.WARNING] * len(told)
    assert len(told) <= 4, "each cause once, not at every attempt"


@pytest.mark.servers
def test_a_renewed_certificate_of_ours_needs_no_restart(tmp_path: Path, papers: Papers) -> None:
    old, old_key = papers.ours("changing", papers.authority, LONG_AGO, YESTERDAY)

    async def main(mine: Broker) -> None:
        async with running(mine) as link:
            await until(lambda: "has expired" in link.trouble)
            new, new_key = papers.ours("new", papers.authority)
            os.replace(new_key, old_key)
            os.replace(new, old)
            await until(lambda: link.connected)

    with mosquitto(tmp_path, tls_listener(tmp_path, papers.brokers, papers.authority)) as server:
        asyncio.run(main(broker(server.port, tls=Tls(papers.ca_file, old, old_key))))


def test_each_fault_of_a_file_is_named(papers: Papers) -> None:
    def fault(tls: Tls) -> str:
        with pytest.raises(TlsFileFault) as caught:
            tls_context(tls)
        return str(caught.value)

    folder = papers.folder
    empty, large, locked = folder / "empty.pem", folder / "large.pem", folder / "locked.pem"
    empty.touch()
    large.write_bytes(papers.ca_file.read_bytes() + b"\n" * 1_000_000)
    _lock(papers.key_file, locked)
    _, other_key = papers.ours("other", papers.authority)
    ca, certificate, key = papers.ca_file, papers.certificate_file, papers.key_file
    assert fault(Tls(folder / "none.pem", None, None)) == f"there is no ca_file {folder}/none.pem"
    assert fault(Tls(folder, None, None)) == f"ca_file {folder} is not a file"
    assert fault(Tls(empty, None, None)) == f"ca_file {empty} holds no certificate in PEM form"
    assert fault(Tls(key, None, None)) == f"ca_file {key} holds no certificate in PEM form"
    assert "larger than 1000000 bytes" in fault(Tls(large, None, None))
    assert "does not fit the certificate" in fault(Tls(ca, certificate, other_key))
    assert "are not a certificate and its key" in fault(Tls(ca, ca, empty))
    assert "are not a certificate and its key" in fault(Tls(ca, empty, key))
    assert "there is no key_file" in fault(Tls(ca, certificate, folder / "none.pem"))
    assert "locked with a passphrase" in fault(Tls(ca, certificate, locked))
    assert fault(Tls(Path("a\0b"), None, None)) == "there is no ca_file a\0b"


def test_a_file_that_we_may_not_read_is_named(papers: Papers, monkeypatch: pytest.MonkeyPatch) -> None:
    def may_not(*_: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", may_not)  # root, who may run this test, may read everything
    with pytest.raises(TlsFileFault, match=r"ca\.pem cannot be read: Permission denied"):
        tls_context(papers.nameless)


@settings(deadline=None)
@given(st.binary(max_size=300), st.booleans())
def test_no_bytes_in_any_file_do_more_than_fail_the_attempt(rubbish: bytes, framed: bool) -> None:
    begin, end = (b"-----BEGIN CERTIFICATE-----\n", b"\n-----END CERTIFICATE-----\n") if framed else (b"", b"")
    with TemporaryDirectory() as name:
        path, good = Path(name) / "rubbish.pem", Path(name) / "good.pem"
        path.write_bytes(begin + rubbish + end)
        AUTHORITY.cert_pem.write_to_path(good)
        for tls in (Tls(path, None, None), Tls(good, path, path)):
            with pytest.raises(TlsFileFault):
                tls_context(tls)


@pytest.mark.parametrize("host", ["", "a..b", "x" * 300, ".cellar", "broker\n"])
def test_a_host_that_no_machine_can_have_is_one_more_failed_attempt(papers: Papers, host: str) -> None:
    for tls in (None, papers.nameless):
        assert asyncio.run(trouble_with(replace(broker(9), host=host, tls=tls)))


def _lock(key: Path, locked: Path) -> None:
    from cryptography.hazmat.primitives import serialization

    locked.write_bytes(
        serialization.load_pem_private_key(key.read_bytes(), None).private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.BestAvailableEncryption(b"a word"),
        )
    )
