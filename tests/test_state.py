from pathlib import Path

from farmwatch.machines.state import BUSY, STATES, TABLE, TRIGGERS, as_markdown, step


def test_every_row_names_known_states_and_triggers():
    for (state, trigger), after in TABLE.items():
        assert state in STATES
        assert trigger in TRIGGERS
        assert after in STATES


def test_every_state_can_be_reached_and_left():
    assert set(TABLE.values()) >= set(STATES)
    for state in STATES:
        assert any(step(state, trigger) != state for trigger in TRIGGERS)


def test_a_build_goes_its_usual_way():
    state = "idle"
    seen = [state := step(state, trigger) for trigger in ("heating", "printing", "over", "released", "cleared")]
    assert seen == ["heating", "printing", "cooling", "waiting", "idle"]


def test_a_full_bed_is_not_forgotten_when_the_machine_goes_off_or_silent():
    for trigger in ("off", "idle", "silent"):
        assert step("waiting", trigger) == "waiting"
        assert step("cooling", trigger) == "cooling"
    assert step("fault", "full") == "waiting"


def test_out_of_service_is_left_only_by_a_person():
    for trigger in TRIGGERS:
        expected = "unknown" if trigger == "put_back" else "out_of_service"
        assert step("out_of_service", trigger) == expected


def test_silence_makes_a_busy_machine_unknown():
    assert {step(state, "silent") for state in BUSY} == {"unknown"}


def test_the_documentation_table_has_every_state():
    text = as_markdown()
    assert len(text.splitlines()) == len(STATES) + 2
    assert all(f"| {state} |" in text for state in STATES)
    developers = Path(__file__).parents[1].joinpath("DEVELOPERS.md").read_text("utf-8")
    assert text in developers
