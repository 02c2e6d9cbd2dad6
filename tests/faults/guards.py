"""What each test must notice: small patches that take one guard out of the product, and the tests that must fail then.

`tests/bench/guards.py` applies them one at a time to a copy of the tree and runs the tests there. Those marked quick
are also tried in CI (`test_guards.py`), the others by hand.
"""

from typing import NamedTuple


class Guard(NamedTuple):
    """A guard that can be taken out.

    Attributes:
        row: of which fault.
        what: the guard, in words.
        file: where it stands.
        old: text that is there exactly once.
        new: what stands there without the guard.
        test: id of a test that must fail then.
        quick: tried in CI.
    """

    row: int
    what: str
    file: str
    old: str
    new: str
    test: str
    quick: bool = False


GUARDS: tuple[Guard, ...] = (
    Guard(2, "an alarm's cause explains what follows from it", "farmwatch/alarms/rules.py",
          '("broker_lost", "mains_lost"), group="silent"', '(), group="silent"',
          "tests/faults/test_rows_broker.py::test_row_02_and_03_broker_dies_and_comes_back_without_memory"),
    Guard(4, "what the broker has kept is last known and no event", "farmwatch/machines/tracker.py",
          "        if seen.retained:\n", "        if False:\n",
          "tests/test_brain.py::test_retained_messages_are_last_known_and_cause_nothing", quick=True),
    Guard(4, "a kept command is old", "farmwatch/wire/intake.py",
          "        if item.retained:\n            return\n", "",
          "tests/test_intake.py::test_a_command_or_a_press_that_the_broker_kept_is_old", quick=True),
    Guard(6, "an older message does not override a newer one", "farmwatch/machines/tracker.py",
          "at_s < newest_s - 1e-3", "False", "tests/test_brain.py::test_late_and_doubled_messages_change_nothing",
          quick=True),
    Guard(9, "what the last life has told of the clock is looked at anew", "farmwatch/daemon.py",
          "self._clock_doubted: bool | None = None", "self._clock_doubted: bool | None = False",
          "tests/faults/test_rows_clock.py::test_row_09_clock_boots_in_1970"),
    Guard(10, "time runs on by the monotonic clock", "farmwatch/clock.py",
          "return time.monotonic() + self._offset_s", "return time.time()",
          "tests/faults/test_rows_clock.py::test_row_10_clock_is_set_while_running"),
    Guard(13, "a pause of everything is nobody's fault", "farmwatch/pulse.py",
          "self._heard = dict.fromkeys(self._heard, now_s)", "pass",
          "tests/test_pulse.py::test_a_pause_of_everything_is_nobody_s_fault", quick=True),
    Guard(16, "a start without memory where the disk fails the copy as well", "farmwatch/stores/journal/guard.py",
          "except (OSError, sqlite3.Error, StoreError) as error:\n            # The disk",
          "except OSError as error:\n            # The disk",
          "tests/test_journal.py::test_a_disk_that_fails_the_copy_as_well_does_not_stop_the_start", quick=True),
    Guard(17, "every commit is synced", "farmwatch/stores/journal/opening.py",
          "PRAGMA synchronous = FULL", "PRAGMA synchronous = OFF",
          "tests/test_journal.py::test_every_commit_is_synced", quick=True),
    Guard(18, "a fact has a checksum", "farmwatch/stores/journal/salvage.py",
          "and crc_of(kind, key, doc) == crc", "and True",
          "tests/test_journal.py::test_one_flipped_bit_in_a_fact_is_seen_by_its_checksum", quick=True),
    Guard(19, "a message is known by its id", "farmwatch/stores/journal/outbox.py",
          "    if known.rowcount < 1:\n        return\n", "",
          "tests/doors/test_journal_contract.py::test_a_known_message_is_not_queued_again_even_when_delivered",
          quick=True),
    Guard(21, "a loop without file handles does not fill the log", "farmwatch/assemble.py",
          "    loop.set_exception_handler(Calm())\n", "",
          "tests/faults/test_rows_process.py::test_row_21_out_of_file_handles"),
    Guard(25, "waits double", "farmwatch/notify.py", "FIRST_WAIT_S * 2.0 **", "FIRST_WAIT_S * 1.0 **",
          "tests/test_notify.py::test_waits_double_from_5_s_to_10_min", quick=True),
    Guard(26, "a second copy says that it is one", "farmwatch/notify.py",
          "repeat = any(one.maybe for one in covers)", "repeat = False",
          "tests/faults/test_rows_phone.py::test_row_22_and_25_and_26_the_way_to_the_phone"),
    Guard(26, "a second copy says that it is one", "farmwatch/notify.py",
          "repeat = any(one.maybe for one in covers)", "repeat = False",
          "tests/test_notify.py::test_what_may_have_arrived_is_sent_again_as_a_repeat_with_the_same_key", quick=True),
    Guard(28, "a payload has a largest size", "farmwatch/wire/payload.py",
          "    if len(body) > MOST_BYTES:\n", "    if False:\n",
          "tests/test_payload.py::test_bad_payloads", quick=True),
    Guard(29, "an answer has a largest size", "farmwatch/sources/http.py",
          "        if len(body) > MOST_BYTES:\n", "        if False:\n",
          "tests/real/test_http.py::test_floods_do_not_grow_the_process"),
    Guard(33, "a counter that goes back is no energy", "farmwatch/power/energy.py",
          "            if 0.0 < step_wh <= most_wh:", "            if step_wh <= most_wh:",
          "tests/test_energy.py::test_a_counter_that_starts_again_at_0_loses_nothing_but_the_gap", quick=True),
    Guard(36, "a fault does not go because nobody sees it", "farmwatch/brain.py",
          '        if state != "unknown":  # silence is no word that the fault is gone\n', "        if True:\n",
          "tests/test_brain.py::test_a_fault_is_not_gone_because_the_machine_is_silent", quick=True),
    Guard(37, "battery wins over mains", "farmwatch/wire/upsvalues.py",
          'return "OB" if "OB" in status else "OL"', 'return "OL" if "OL" in status else "OB"',
          "tests/test_upsvalues.py::test_contradictory_units_are_taken_to_be_on_battery", quick=True),
    Guard(41, "a secret that others may read is refused", "farmwatch/settings.py",
          "file.stat().st_mode & (stat.S_IROTH | stat.S_IWOTH)", "False",
          "tests/test_settings.py::test_a_world_readable_secret_is_refused_with_the_line_to_type", quick=True),
    Guard(44, "a write must come from our own page", "farmwatch/web/server.py",
          "        if not reads and not guard.same_origin(request):", "        if False:",
          "tests/test_web.py::test_every_writing_route_refuses_other_sites", quick=True),
    Guard(47, "a link acts once", "farmwatch/web/link_pages.py",
          "            if done is not None:\n", "            if False:\n",
          "tests/test_web.py::test_opening_a_link_does_nothing_and_its_button_acts_once", quick=True),
    Guard(47, "a link's mark is checked", "farmwatch/web/links.py",
          "if version != _VERSION or not any(good):", "if version != _VERSION:",
          "tests/test_links.py::test_any_changed_character_is_noticed", quick=True),
    Guard(48, "a slow page's queue is bounded", "farmwatch/web/broadcast.py",
          "asyncio.Queue(QUEUE)", "asyncio.Queue()",
          "tests/test_web.py::test_a_slow_page_s_queue_is_bounded_and_ends_in_a_snapshot", quick=True),
    Guard(48, "four open pages for one address", "farmwatch/web/live.py",
          "self._readers.get(address, 0) >= READERS_EACH or self.readers >= READERS_IN_ALL", "False",
          "tests/faults/test_rows_process.py::test_row_48_two_hundred_readers_that_never_read"),
)  # fmt: skip
