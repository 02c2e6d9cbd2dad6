import pytest

from farmwatch.power.backup import BackupTrack, status_of
from farmwatch.words.model import BackupPlan, CircuitPlan


@pytest.mark.parametrize(
    ("symbols", "status"),
    [
        # RFC 9271: table 4 (symbols), section 4 ("OB or OL, otherwise deemed dead"), appendix B (OL LB is legal
        # while recharging), section 5.2 note 2 (OB LB is an emergency).
        ("OL", "on_line"),
        ("OL CHRG", "on_line"),
        ("OL LB", "on_line"),
        ("OL BOOST", "on_line"),
        ("OL TRIM", "on_line"),
        ("OL TEST", "on_line"),
        ("OB", "on_battery"),
        ("OB DISCHRG", "on_battery"),
        ("OB LB", "low"),
        ("FSD OB LB", "low"),
        ("FSD OL", "low"),
        ("OL OB", "on_battery"),
        ("OL OB LB", "low"),
        ("OL HB", "on_line"),
        ("NOCOMM", "unknown"),
        ("OL NOCOMM", "unknown"),
        ("CHRG", "unknown"),
        ("OFF", "unknown"),
        ("", "unknown"),
        (None, "unknown"),
        ("ob lb", "low"),
    ],
)
def test_status_symbols(symbols, status):
    assert status_of(symbols) == status


def test_load_from_percent_is_never_less_than_the_watts():
    """RFC 1628 upsOutputPercentLoad: 700 W at pf 0.7 on a 1600 VA / 1000 W unit is max(70 %, 62.5 %) = 70 %."""
    track = BackupTrack(BackupPlan("one", rating_w=1000, rating_va=1600))
    track.observe({"status": "OL", "load": 0.70}, 0.0)
    assert track.load_w() == pytest.approx(700)
    track.observe({"status": "OL", "load": 0.70, "power_w": 640.0}, 5.0)
    assert track.load_w() == 640.0


def test_what_is_not_heard_is_unknown():
    track = BackupTrack(BackupPlan("one", rating_w=600))
    assert track.load_w() is None
    track.observe({"status": "OL", "load": 0.5, "runtime_s": 0.0}, 0.0)
    assert track.reported_runtime_s() is None
    assert track.forget(20.0)
    assert track.status == "unknown"
    assert track.load_w() is None


def test_circuit_limits():
    """16 A at 230 V is 3680 W; a policy share of 0.8 (1/1.25, NEC 210.20(A)) is 2944 W; 20 A at 120 V: 1920 W."""
    assert CircuitPlan("west", 16, 230, 0.8).rating_w == 3680
    assert CircuitPlan("west", 16, 230, 0.8).limit_w == pytest.approx(2944)
    assert CircuitPlan("x", 20, 120, 0.8).limit_w == pytest.approx(1920)
