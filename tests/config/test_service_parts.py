"""The parts of the site file that are about the service: encrypted broker, history, messages, heartbeat."""

from datetime import time
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
import trustme

from controller.display import Display
from controller.faults import Fault
from controller.installation import Heartbeat, History, Notifications, Target, Tls
from tests.config.site_files import SITE, changed, faults_of, load

BROKER = "broker: {host: 127.0.0.1}"
PHONE = "notifications:\n  targets:\n    - {name: phone, url_file: phone-url}\n"


def one(faults: list[Fault]) -> Fault:
    assert len(faults) == 1, [str(fault) for fault in faults]
    return faults[0]


@pytest.fixture
def authority(tmp_path: Path) -> trustme.CA:
    ca = trustme.CA()
    ca.cert_pem.write_to_path(tmp_path / "ca.pem")
    ours = ca.issue_cert("cellarhand.example")
    ours.private_key_pem.write_to_path(tmp_path / "key.pem")
    ours.cert_chain_pems[0].write_to_path(tmp_path / "ours.pem")
    return ca


def with_tls(keys: str) -> str:
    return changed(BROKER, f"broker: {{host: 127.0.0.1, tls: {keys}}}")


def test_a_broker_with_a_private_authority_and_our_own_certificate(tmp_path: Path, authority: trustme.CA) -> None:
    keys = "{ca_file: ca.pem, certificate_file: ours.pem, key_file: key.pem}"
    broker = load(tmp_path, with_tls(keys)).broker
    assert broker.tls == Tls(tmp_path / "ca.pem", tmp_path / "ours.pem", tmp_path / "key.pem")
    assert broker.port == 8883  # IANA: secure-mqtt


def test_an_empty_block_trusts_the_authorities_of_the_system(tmp_path: Path) -> None:
    assert load(tmp_path, with_tls("{}")).broker.tls == Tls(None, None, None)


def test_without_tls_the_port_is_the_plain_one(tmp_path: Path) -> None:
    broker = load(tmp_path, SITE).broker
    assert (broker.tls, broker.port) == (None, 1883)


@pytest.mark.parametrize(
    ("keys", "key", "found"),
    [
        ("{ca_file: none.pem}", "ca_file", "no such file"),
        ("{ca_file: site.yaml}", "ca_file", "holds no certificate"),
        ("{certificate_file: ours.pem}", "certificate_file", "alone"),
        ("{key_file: key.pem}", "key_file", "alone"),
        ("{certificate_file: none.pem, key_file: key.pem}", "certificate_file", "no such file"),
        ("{certificate_file: ours.pem, key_file: ours.pem}", "key_file", "does not fit"),
        ("{certificate_file: ca.pem, key_file: key.pem}", "key_file", "does not fit"),
    ],
)
def test_files_of_tls_that_cannot_work(tmp_path: Path, authority: trustme.CA, keys: str, key: str, found: str) -> None:
    fault = one(faults_of(tmp_path, with_tls(keys)))
    assert fault.key == f"broker.tls.{key}"
    assert found in fault.found


def test_an_encrypted_key_is_refused_and_nobody_is_asked_for_its_passphrase(tmp_path: Path) -> None:
    from cryptography.hazmat.primitives import serialization
    from cryptography.hazmat.primitives.asymmetric import ec

    ca = trustme.CA()
    ca.issue_cert("cellarhand.example").cert_chain_pems[0].write_to_path(tmp_path / "ours.pem")
    form = serialization.PrivateFormat.PKCS8
    locked = serialization.BestAvailableEncryption(b"geheim")
    key = ec.generate_private_key(ec.SECP256R1()).private_bytes(serialization.Encoding.PEM, form, locked)
    (tmp_path / "key.pem").write_bytes(key)
    fault = one(faults_of(tmp_path, with_tls("{certificate_file: ours.pem, key_file: key.pem}")))
    assert "without a passphrase" in fault.expected


def test_how_long_is_remembered(tmp_path: Path) -> None:
    assert load(tmp_path, SITE).history == History()
    keys = "history: {sample_every: 30 s, keep_samples: 7 d, keep_minutes: 100 d, keep_records: 1000 d}\n"
    assert load(tmp_path, keys + SITE).history == History(30.0, 7 * 86400.0, 100 * 86400.0, 1000 * 86400.0)


@pytest.mark.parametrize("every", ["7 s", "90 s", "1.5 s"])
def test_samples_fill_a_minute(tmp_path: Path, every: str) -> None:
    fault = one(faults_of(tmp_path, f"history: {{sample_every: {every}}}\n{SITE}"))
    assert fault.key == "history.sample_every"


def test_messages_go_to_targets_and_rest_at_night(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "phone-url").write_text("https://example.org/push/abc\n")
    monkeypatch.setenv("LOG_BOOK_URL", "json://127.0.0.1:8000")
    text = (
        "notifications:\n"
        "  targets:\n"
        "    - {name: phone, url_file: phone-url, least: medium}\n"
        "    - {name: log-book, url_env: LOG_BOOK_URL}\n"
        '  quiet: {from: 22:00, to: "7:30"}\n'
        "  daily_at: 08:00\n"
    )
    assert load(tmp_path, text + SITE).notifications == Notifications(
        targets=(
            Target("phone", "https://example.org/push/abc", "medium"),
            Target("log-book", "json://127.0.0.1:8000", "low"),
        ),
        quiet_from=time(22, 0),
        quiet_to=time(7, 30),
        daily_at=time(8, 0),
    )


def test_an_address_is_a_secret_and_never_shown(tmp_path: Path) -> None:
    (tmp_path / "phone-url").write_text("https://example.org/push/geheim\n")
    assert "geheim" not in repr(load(tmp_path, PHONE + SITE))
    (tmp_path / "phone-url").write_text("geheim ohne Schema\n")
    fault = one(faults_of(tmp_path, PHONE + SITE))
    assert fault.key == "notifications.targets.phone.url_file"
    assert "geheim" not in str(fault)


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ("notifications: {targets: []}", "notifications.targets"),
        ("notifications: {targets: [{name: phone}]}", "notifications.targets.phone"),
        (PHONE + "  daily_at: 24:00", "notifications.daily_at"),
        (PHONE + "  quiet: {from: 22:00, to: 22:00}", "notifications.quiet.to"),
        (PHONE + "    - {name: phone, url_file: phone-url}", "notifications.targets.phone.name"),
        (PHONE.replace("}", ", least: urgent}"), "notifications.targets.phone.least"),
        ("heartbeat: {url_file: nowhere}", "heartbeat.url_file"),
        ("heartbeat: {url_file: mail-url}", "heartbeat.url_file"),
        ("heartbeat: {url_file: phone-url, every: 1 s}", "heartbeat.every"),
        ("log: xml", "log"),
        ("volumes: hogshead", "volumes"),
    ],
)
def test_what_cannot_be_is_said_with_its_key(tmp_path: Path, text: str, key: str) -> None:
    (tmp_path / "phone-url").write_text("https://example.org/push/abc\n")
    (tmp_path / "mail-url").write_text("mailto://127.0.0.1\n")
    assert one(faults_of(tmp_path, f"{text}\n{SITE}")).key == key


def test_a_heartbeat_is_a_web_address(tmp_path: Path) -> None:
    (tmp_path / "beat-url").write_text("https://example.org/beat/abc\n")
    found = load(tmp_path, f"heartbeat: {{url_file: beat-url, every: 2 min}}\n{SITE}").heartbeat
    assert found == Heartbeat("https://example.org/beat/abc", 120.0)


def test_what_people_see_is_theirs_to_choose(tmp_path: Path) -> None:
    text = changed("units: C", "units: F\nvolumes: gal\ngravities: P\nlog: json")
    found = load(tmp_path, text)
    assert found.display == Display("F", "gal", "P", ZoneInfo("Europe/Vienna"))
    assert found.log_format == "json"


def test_a_password_over_an_open_network_is_worth_a_warning(tmp_path: Path) -> None:
    (tmp_path / "password").write_text("geheim\n")
    (tmp_path / "password").chmod(0o600)
    text = changed(BROKER, "broker: {host: 192.0.2.1, user: me, password_file: password}")
    assert any("plain text" in warning for warning in load(tmp_path, text).warnings)
    text = changed(BROKER, "broker: {host: 192.0.2.1, user: me, password_file: password, tls: {}}")
    assert not any("plain text" in warning for warning in load(tmp_path, text).warnings)
