"""Relays with their own timers. The contract is the design's: lifetimes end in the device (design rule 3),
old commands are ignored (design rules 4 and 10)."""

from controller.control.values import Command
from controller.plant.cellar import demo_cellar
from controller.plant.devices import Device


def order(on, number, epoch=1, tag="amber/heater", lifetime_s=90.0):
    return Command(tag, on, lifetime_s, "test", number, epoch)


def test_an_on_that_nobody_renews_ends_after_its_lifetime():
    cellar = demo_cellar()
    cellar.obey([order(True, 1)])
    cellar.advance(85.0)
    assert cellar.output_on("amber/heater")
    cellar.advance(10.0)
    assert not cellar.output_on("amber/heater")
    assert cellar.devices["amber/heater"].on_s == 90.0, "closed for the lifetime to the second, not to the step"


def test_a_renewed_on_stays():
    cellar = demo_cellar()
    for number in range(1, 11):
        cellar.obey([order(True, number)])
        cellar.advance(25.0)
    assert cellar.output_on("amber/heater")
    assert cellar.devices["amber/heater"].starts == 1


def test_one_long_absence_of_the_controller_ends_all_outputs():
    cellar = demo_cellar()
    cellar.obey([order(True, 1, tag=tag) for tag in cellar.devices])
    cellar.advance(86400.0)
    assert [tag for tag in cellar.devices if cellar.output_on(tag)] == []
    assert {device.on_s for device in cellar.devices.values()} == {90.0}


def test_stale_and_repeated_numbers_are_ignored():
    device = Device("amber/heater")
    device.obey(order(False, 7), 0.0)
    for old in (order(True, 7), order(True, 6), order(True, 99, epoch=0)):
        device.obey(old, 0.0)
    assert not device.on
    assert device.ignored == 3


def test_a_higher_epoch_takes_over_and_the_older_daemon_is_not_heard():
    device = Device("amber/heater")
    device.obey(order(True, 5000, epoch=1), 0.0)
    device.obey(order(False, 1, epoch=2), 1.0)
    device.obey(order(True, 5001, epoch=1), 2.0)
    assert not device.on


def test_a_stale_renewal_does_not_prolong_an_on():
    device = Device("amber/heater")
    device.obey(order(True, 2), 0.0)
    device.obey(order(True, 1), 80.0)
    device.tick(90.0)
    assert not device.on


def test_an_on_without_lifetime_never_starts():
    device = Device("amber/heater")
    for number, lifetime_s in enumerate((0.0, -5.0, float("nan")), start=1):
        device.obey(order(True, number, lifetime_s=lifetime_s), 0.0)
        assert not device.on


def test_a_welded_relay_does_not_obey():
    cellar = demo_cellar()
    cellar.weld("gold/heater", True)
    cellar.obey([order(False, 1, tag="gold/heater")])
    cellar.advance(200.0)
    assert cellar.output_on("gold/heater")
    cellar.weld("gold/heater", False)
    cellar.obey([order(True, 2, tag="gold/heater")])
    assert not cellar.output_on("gold/heater")
    cellar.weld("gold/heater", None)
    cellar.obey([order(True, 3, tag="gold/heater")])
    assert cellar.output_on("gold/heater")
