"""What can go wrong, what must happen then, and which tests show it: forty-eight rows.

`tests/conftest.py` marks every test named here with its row's number: ``pytest -m "row(number=7)"`` runs those of
row 7. `tests/faults/test_rows.py` holds that each named test exists; `docs/faults.md` is made from this table.
In all of them: the process lives or is started again, no task fails unseen, no secret gets out, /healthz is true, and
memory stays bounded; `faultshop.FaultShop.keeps_its_promises` checks that for whole daemons.
"""

from typing import NamedTuple


class Row(NamedTuple):
    """One fault.

    Attributes:
        number: 1 to 48.
        name: short, fit for a test's name.
        fault: what happens.
        expected: what must happen then.
        how: by what means it is made to happen.
        tests: ids of tests, without the part in brackets; a file's name ends with ``.py::``.
    """

    number: int
    name: str
    fault: str
    expected: str
    how: str
    tests: tuple[str, ...]


def _row(number: int, name: str, fault: str, expected: str, how: str, tests: str) -> Row:
    """`tests`: ``file: name name`` lines; the file without tests/ and .py."""
    found = []
    for line in tests.strip().splitlines():
        file, _, names = line.strip().partition(":")
        found += [f"tests/{file}.py::{name if '::' in name else f'test_{name}'}" for name in names.split()]
    return Row(number, name, fault, expected, how, tuple(found))


ROWS: tuple[Row, ...] = (
    _row(1, "broker_down_at_start", "no broker when the daemon starts",
         "it starts, everything behind the broker is unknown, one alarm, it connects by itself",
         "real broker, started late",
         """faults/test_rows_broker: row_01_broker_down_at_start
            real/test_mqtt: broker_down_at_start_then_there waits_double_with_full_jitter
            real/test_whole: missing_peers_do_not_stop_the_start_and_hanging_ones_not_the_stop"""),
    _row(2, "broker_dies", "the broker is killed and started again, or its line is spoilt",
         "one message for the cause, one all-clear, no event invented, subscribed again",
         "real broker, SIGKILL; fault proxy (corrupt, drip, reset)",
         """faults/test_rows_broker: row_02_and_03_broker_dies_and_comes_back_without_memory
            faults/test_rows_broker: row_02_the_broker_s_connection_is_corrupt_dripping_and_reset
            real/test_whole: a_broker_that_goes_is_one_message_and_one_all_clear
            real/test_mqtt: broker_killed_and_started_again
            test_brain: broker_lost_and_back_is_one_message_and_one_all_clear"""),
    _row(3, "broker_forgets", "the broker comes back without what it had kept",
         "nothing turns idle or ends; fresh words are waited for", "real broker without persistence, SIGKILL",
         """faults/test_rows_broker: row_02_and_03_broker_dies_and_comes_back_without_memory
            real/test_whole: a_broker_that_goes_is_one_message_and_one_all_clear"""),
    _row(4, "retained_is_old", "a kept message of yesterday comes at every connect",
         "it is shown as last known; no event, no end, no cleared bed, no command follows", "real broker, retained",
         """faults/test_rows_broker: row_04_retained_message_of_yesterday
            test_brain: retained_messages_are_last_known_and_cause_nothing
            test_intake: what_the_broker_kept_is_marked a_command_or_a_press_that_the_broker_kept_is_old
            real/test_mqtt: retained_message_is_marked_and_a_live_one_is_not
            test_replay: what_the_broker_kept_is_no_event"""),
    _row(5, "duplicate_message", "every message comes twice", "the same as once: one build, one end, one request",
         "fault proxy (duplicate)",
         """faults/test_rows_broker: row_05_and_06_duplicate_and_out_of_order
            test_brain: late_and_doubled_messages_change_nothing
            test_replay: late_and_double_messages_change_nothing"""),
    _row(6, "out_of_order", "messages come late or in the wrong order",
         "older never overrides newer; nothing old raises an alarm", "fault proxy (reorder)",
         """faults/test_rows_broker: row_05_and_06_duplicate_and_out_of_order
            test_brain: late_and_doubled_messages_change_nothing
            doors/test_series_contract: late_readings_are_kept_and_sorted
            test_plugwords: irregular_sampling_gaps_duplicates_and_late_readings_change_nothing"""),
    _row(7, "half_open_tcp", "the peer is gone and no one says so", "found within 1.5 keep-alives, mended by itself",
         "nftables in a network namespace, else the fault proxy; SIGSTOP of the real broker",
         """faults/test_rows_network: row_07_half_open_connection
            real/test_mqtt: half_open_connection_is_found idle_connection_is_kept"""),
    _row(8, "same_client_id", "a second client takes our name on the broker",
         "said as what it is, both go on, the fight gets slower", "two clients; two daemons",
         """faults/test_rows_broker: row_08_two_with_the_same_name
            real/test_mqtt: second_client_with_our_name_is_told twins_slow_down"""),
    _row(9, "clock_in_1970", "the computer starts with its clock in 1970",
         "watching and telling go on, the doubt is told, and after the right start nothing is 56 years old",
         "libfaketime",
         """faults/test_rows_clock: row_09_clock_boots_in_1970
            test_clock_watch: what_a_clock_says_of_itself
            test_signs: a_clock_that_cannot_be_trusted"""),
    _row(10, "clock_is_set", "the clock is set by years forward and an hour back while we run",
         "timers run on; no alarm opens or closes but that of the clock; no span below zero",
         "libfaketime with a true monotonic clock",
         """faults/test_rows_clock: row_10_clock_is_set_while_running
            test_clock_watch: what_a_clock_says_of_itself
            test_tape: a_clock_set_back_between_two_runs_is_not_hidden"""),
    _row(11, "machine_clock_differs", "a machine's own clock is hours off",
         "silence is judged by when things came; no time that a person sees moves", "shifted time stamps",
         """test_plug_seen: a_machines_clock_that_is_hours_off_moves_no_time_that_a_person_sees
            test_eta_seen: a_machine_clock_hours_off_moves_no_finish
            test_replay: a_polled_machine_a_panel_hours_behind_and_a_backup"""),
    _row(12, "clock_changes_with_the_season", "an hour comes twice or not at all; zones of odd offsets",
         "all is kept in UTC; quiet hours once a day; days of 23 and 25 hours add up", "zones of the tz database",
         """test_hours: a_time_of_day_is_the_first_moment_that_shows_it days_are_as_long_as_they_are
            test_hours: a_window_begins_once_and_ends_once_a_day fixed_times_come_once_a_day_on_every_day
            test_views: rounds_ahead_are_local_clock_times_also_over_a_change_of_the_clock"""),
    _row(13, "suspended", "the computer sleeps, or the process is stopped for two minutes",
         "not taken for silence of the sources; said as a pause of ours", "SIGSTOP and SIGCONT",
         """faults/test_rows_clock: row_13_stopped_for_two_minutes
            test_asleep: it_is_one_line_of_the_diary_and_no_message a_short_stop_leaves_no_trace
            test_asleep: the_daemon_notices_that_it_stood_still
            test_pulse: a_pause_of_everything_is_nobody_s_fault"""),
    _row(14, "disk_full", "no room on the disk",
         "in memory meanwhile, alarms still go, the reserve is given up, it recovers unaided", "full tmpfs",
         """real/test_whole: a_disk_that_takes_nothing_stops_nothing
            test_journal: a_full_disk_refuses_with_words the_guard_goes_on_while_the_disk_is_full_and_catches_up
            test_embedded_faults: a_full_disk_keeps_what_was_there_and_what_is_in_memory
            test_embedded_faults: a_disk_that_fills_and_is_freed_again_loses_nothing
            real/test_influx: a_full_disk_below_the_spool_still_sends_and_recovers
            test_tape: a_full_disk_ends_the_recording_and_nothing_else"""),
    _row(15, "disk_read_only", "the card turns read-only", "in memory, said, telling goes on", "tmpfs remounted ro",
         """real/test_whole: a_disk_that_takes_nothing_stops_nothing
            test_journal: a_read_only_disk_at_the_start_and_during_the_run
            test_embedded_faults: a_read_only_disk_is_said_and_still_read"""),
    _row(16, "disk_errors", "writes and fsync fail now and then",
         "never retried on the same connection: closed, reopened, checked, written again", "libfiu below the process",
         """faults/test_rows_disk: row_16_errors_of_the_disk
            test_embedded_faults: errors_of_the_disk_lose_nothing_that_was_said_to_be_written
            test_influx_spool: a_disk_that_refuses_keeps_the_batch_in_memory_and_writes_it_later_in_order"""),
    _row(17, "torn_write", "the power goes in the middle of a write", "consistent; no more is lost than was not synced",
         "a disk below the real stores that loses, keeps or tears what was not synced: 50 places, 500 by hand; log cut "
         "or garbled at every place",
         """faults/test_rows_power_cut: row_17_power_lost_in_mid_write
            test_journal: any_cut_of_the_log_keeps_what_was_synced_before_the_cut every_commit_is_synced
            test_journal: a_kill_between_any_two_steps_of_a_rebuild_loses_nothing
            test_embedded_faults: a_log_that_is_cut_or_garbled_anywhere_keeps_every_whole_record
            test_influx_spool: damage_costs_the_damaged_batches_alone"""),
    _row(18, "database_corrupt", "a database is damaged before or during the run",
         "set aside, never deleted; what can be read is taken over; loud; no loop of crashes", "flipped, zeroed, cut",
         """faults/test_rows_disk: row_18_journal_damaged_before_the_start
            test_journal: a_damaged_journal_opens_keeps_the_old_file_and_believes_nothing_false
            test_journal: one_flipped_bit_in_a_fact_is_seen_by_its_checksum the_log_of_another_database_is_not_believed
            test_journal: damage_while_running_is_noticed_and_all_facts_are_written_again
            test_embedded_faults: a_damaged_file_is_set_aside_and_what_can_be_read_taken_over
            test_embedded_faults: a_damaged_block_is_set_aside_and_the_rest_is_read"""),
    _row(19, "kill_at_any_instant", "SIGKILL anywhere", "nothing accepted is lost, no half alarm, messages go on",
         "failpoints between all steps; random kills",
         """test_failpoints: a_kill_between_any_two_steps_loses_nothing random_kills
            test_crash: nothing_accepted_is_lost_in_random_kills
            real/test_whole: kills_lose_nothing
            test_brain: restarts_at_any_moment_lose_no_message_and_end_in_the_same_state
            real/test_influx: kill_9_in_mid_batch_loses_nothing_that_was_flushed_and_says_nothing_twice_differently"""),
    _row(20, "memory_limit", "the memory has an end", "goes on, or is started again and stands where it stood",
         "RLIMIT_AS on the running daemon",
         """faults/test_rows_process: row_20_memory_at_its_limit
            test_embedded: memory_and_the_log_stay_small_and_a_young_frame_stays_in_the_log
            real/test_http: floods_do_not_grow_the_process"""),
    _row(21, "no_file_handles", "no file handle is left", "watching goes on, the page comes back, the log stays short",
         "RLIMIT_NOFILE on the running daemon, 300 idle connections",
         """faults/test_rows_process: row_21_out_of_file_handles"""),
    _row(22, "internet_down", "the house is there, the world is not",
         "watching unaffected; messages wait; then one that holds them all",
         "nftables in a network namespace, else the fault proxy; service stopped; proxy that refuses",
         """faults/test_rows_network: row_22_the_house_is_there_and_the_world_is_not
            faults/test_rows_phone: row_22_and_25_and_26_the_way_to_the_phone
            real/test_notify_real: messages_wait_while_the_service_is_down_and_go_when_it_is_back
            test_notify: what_piled_up_while_a_service_was_away_goes_as_one_message
            test_collapse: old_rows_of_one_person_and_channel_become_one_with_the_original_times"""),
    _row(23, "collector_alone", "our own network is gone", "one cause, not one alarm for each source",
         "link down in a network namespace, else the fault proxy; replayed silence of everything at once",
         """faults/test_rows_network: row_23_collector_alone
            test_outage: a_collector_that_is_alone_says_so_once_whoever_falls_silent_first
            test_outage: a_broker_gone_is_a_broker_and_a_network_gone_is_a_network
            test_outage: what_falls_silent_alone_or_together
            test_brain: silence_makes_values_unknown_and_is_told_once_for_several"""),
    _row(24, "dns_dead", "names are not answered, late or wrongly",
         "bounded, nobody else waits, the last good address serves",
         "own name server below a mount namespace; a resolver that hangs, fails, lies",
         """faults/test_rows_network: row_24_names_are_not_answered_or_wrongly
            real/test_http: hanging_look_up_neither_delays_others_nor_the_stop
            real/test_http: last_good_address_is_used_while_names_cannot_be_looked_up nobody_there_and_unknown_name
            real/test_mqtt: unknown_host_is_told
            real/test_receivers: certificates_names_and_addresses"""),
    _row(25, "service_misbehaves", "the message service refuses, hangs, drips, redirects, lies",
         "own deadline, growing waits, Retry-After heeded, second channel, no other is delayed", "scripted receivers",
         """faults/test_rows_phone: row_22_and_25_and_26_the_way_to_the_phone
            real/test_receivers: every_misbehaviour_is_said_bounded_and_nobody_else_s
            real/test_notify_real: a_hang_and_a_drip_delay_no_other_channel_and_no_stop a_redirect_is_not_followed
            test_notify: waits_double_from_5_s_to_10_min a_service_that_wants_to_be_left_alone_is
            test_notify: the_second_channel_is_tried_after_two_failures_of_the_first
            test_notify: a_hung_service_delays_no_other_and_is_never_called_twice_at_once"""),
    _row(26, "answer_lost", "the service has it and we never hear so", "sent once more, marked as a repeat, same key",
         "fault proxy that throws answers away; kill during the call",
         """faults/test_rows_phone: row_22_and_25_and_26_the_way_to_the_phone
            test_failpoints: a_kill_while_the_receiver_has_the_call_sends_it_once_more_as_a_repeat
            test_notify: what_may_have_arrived_is_sent_again_as_a_repeat_with_the_same_key
            test_notify: what_was_accepted_but_could_not_be_recorded_is_not_sent_again"""),
    _row(27, "flood_of_notices", "everything fails at once; one thing comes and goes",
         "one message for one cause; what flaps is one alarm; the rest is summed up", "real UPS server, forty flaps",
         """faults/test_rows_power: row_27_flood_of_causes
            test_alarms: what_comes_and_goes_is_one_alarm what_comes_and_goes_and_then_stays_speaks_for_itself
            test_people: too_much_becomes_a_summary_and_nothing_is_lost
            test_people: no_24_hours_see_more_than_ten_and_the_long_run_sees_five
            test_brain: mains_lost_with_everything_silent_is_one_message_and_one_all_clear"""),
    _row(28, "garbage_payload", "payloads that are too large, too deep, doubled or no text",
         "dropped, counted, shown escaped; five in a row are told; nothing else changes", "hypothesis; real broker",
         """test_payload: bad_payloads no_payload_raises_anything_else_and_no_number_becomes_nought
            test_payload: a_payload_of_just_the_cap_is_read
            test_intake: a_bad_payload_is_dropped_counted_and_kept_escaped
            test_intake: five_in_a_row_degrade_once_and_a_good_one_clears
            test_intake: no_message_raises_and_the_counts_agree
            real/test_mqtt: packet_beyond_all_measure_is_not_read
            real/test_whole: the_page_follows_and_garbage_changes_nothing"""),
    _row(29, "endless_answers", "a polled device answers without end, in gzip, byte by byte",
         "read to a bound, decompressed to a bound, within a deadline, one at a time", "misbehaving HTTP devices",
         """real/test_http: misbehaving_device floods_do_not_grow_the_process slow_devices_do_not_delay_the_others
            real/test_http: one_request_in_flight_and_addresses_named_twice_asked_once"""),
    _row(30, "redirects", "a device redirects in circles or to where we must not go", "refused and counted",
         "misbehaving HTTP devices",
         """real/test_http: misbehaving_device a_redirect_is_followed_nowhere_and_takes_no_secret_with_it
            real/test_http: addresses_that_are_never_polled
            real/test_http: name_that_leads_to_a_link_local_address
            real/test_notify_real: a_redirect_is_not_followed"""),
    _row(31, "no_numbers", "NaN, infinity, null, booleans and texts where numbers belong",
         "refused as a value, a gap, counted; never nought", "tables and hypothesis",
         """test_payload: numbers unknown_is_no_mistake what_only_poses_as_a_number_is_refused_and_the_rest_goes_on
            test_payload: a_number_is_what_was_sent_or_nothing what_is_no_decimal_is_refused
            doors/test_series_contract: unknown_is_a_gap_zero_is_a_value_and_words_are_no_readings"""),
    _row(32, "unit_changes", "a plug changes from W to kW", "asked about, never rescaled by itself",
         "a step in the middle of a run",
         """test_brain: a_lasting_step_by_a_thousand_is_asked_about_and_never_rescaled
            test_plug_seen: a_lasting_step_by_1000_is_asked_about_on_the_page_and_never_rescaled
            test_plugwords: a_unit_that_changed_is_an_alarm_that_the_person_sees
            test_payload: the_edges_of_every_range_are_inside_in_every_unit_and_beyond_is_out"""),
    _row(33, "counter_resets", "an energy counter begins again or turns over",
         "never negative, never absurd; nothing lost but the gap", "hypothesis",
         """test_energy: a_counter_that_starts_again_at_0_loses_nothing_but_the_gap
            test_energy: a_register_that_turns_over_is_no_reset
            test_energy: the_parts_never_overlap_and_add_up it_goes_on_after_a_restart"""),
    _row(34, "plug_reboots", "a smart plug starts anew: relay, counter and clock at nought",
         "the machine has not stopped for that", "replayed plug",
         """test_plugwords: a_plug_that_restarts_is_not_a_machine_that_stopped_through_the_brain
            test_plug_seen: a_plug_that_restarts_leaves_build_and_estimate_as_they_were"""),
    _row(35, "sources_contradict", "the plug says one thing, the machine another; mains without mains",
         "shown as a contradiction, told after its delay", "replayed sources",
         """test_signs: a_machine_and_its_plug_that_contradict_each_other
            test_signs: a_backup_and_the_plugs_behind_it_that_contradict_each_other
            test_outage: a_backup_that_says_on_line_and_on_battery_is_on_battery
            test_upsvalues: contradictory_units_are_taken_to_be_on_battery
            test_energy: a_coarse_counter_gives_way_to_the_watts_between_its_steps"""),
    _row(36, "backup_stale", "a backup's driver is frozen or gone, also during an outage",
         "unknown within seconds, never on line; a loss that was seen stands", "real UPS server, SIGSTOP and SIGKILL",
         """faults/test_rows_power: row_36_backup_goes_stale_during_an_outage
            real/test_ups: stale_and_driver_gone_and_back server_killed_and_started_again
            test_outage: an_outage_does_not_end_because_a_backup_can_no_longer_be_seen
            test_brain: a_backup_that_is_not_seen_is_unknown_at_once_and_told_after_its_delay"""),
    _row(37, "backup_garbage", "a UPS server talks nonsense: cut, spoilt, endless, contradictory",
         "the connection is made anew; no false status; battery wins over mains", "fault proxy; grammar by hypothesis",
         """faults/test_rows_power: row_37_backup_talks_garbage
            real/test_ups: garbage_costs_the_connection_and_nothing_else reply_byte_by_byte
            real/test_ups: one_unit_that_talks_garbage_does_not_silence_the_others silent_server
            test_upsproto: no_bytes_raise_anything_else_and_cuts_make_no_difference
            test_upsproto: the_longest_line_is_read_and_one_byte_more_is_not transcripts_with_garbage_after
            test_outage: an_absurd_runtime_is_not_promised_to_anybody
            test_outage: a_charge_that_jumps_changes_no_cause_and_ends_nothing"""),
    _row(38, "self_test", "a backup tests itself; the mains blink", "kept, not sent", "scripted statuses",
         """test_brain: a_blip_is_kept_but_not_sent
            test_outage: a_blip_is_in_the_diary_and_not_on_the_phone
            days/test_outages: a_blip_is_written_down_and_not_sent
            real/test_snmp: a_self_test_that_is_over_has_a_result_and_an_age"""),
    _row(39, "snmp_trouble", "packets lost, no such instance, wrong types, great tables, silence",
         "bounded retries, one at a time, unknown and not nought",
         "real agent behind nftables in a network namespace, else behind a lossy relay",
         """faults/test_rows_network: row_39_a_fifth_of_the_packets_lost
            real/test_snmp: a_fifth_of_the_packets_lost no_such_instance_and_wrong_types_are_unknown
            real/test_snmp: a_great_table_is_read_to_a_bound one_request_at_a_time wrong_community_is_silence
            real/test_snmp: one_dead_device_costs_no_other noise_is_a_failure_of_this_device_alone
            test_upsmib: whatever_an_agent_sends_is_plausible_or_unknown"""),
    _row(40, "wrong_configuration", "mistakes of every kind in the configuration",
         "all are listed at once with line, key and suggestion; exit code 2", "more than forty broken files",
         """test_settings: every_mistake_has_line_key_and_suggestion there_are_at_least_forty_kinds_of_mistake
            test_settings: all_mistakes_are_listed_at_once_in_the_order_of_their_lines missing_file_and_wrong_encoding
            test_cli: a_mistake_stops_the_start check_prints_every_mistake_with_file_and_line"""),
    _row(41, "readable_secret", "others may read a secret", "refused, with the line to type", "file modes",
         """test_settings: a_world_readable_secret_is_refused_with_the_line_to_type mistakes_in_the_secrets_folder"""),
    _row(42, "secret_gets_out", "anything at all happens", "no secret in logs, pages, answers, files, messages, errors",
         "a canary in every secret, searched for raw, URL-encoded and in base64",
         """faults/test_rows_secrets: row_42_no_secret_gets_out_whatever_is_refused
            faults/test_rows_secrets: row_42_the_search_finds_every_form_of_a_leak
            test_settings: secrets_come_from_the_folder_and_are_never_shown
            test_notify: foreign_errors_never_reach_log_or_record
            real/test_http: secrets_are_not_shown
            real/test_mqtt: secret_is_not_shown"""),
    _row(43, "hostile_names", "markup, formulas, escapes and endless text in names",
         "text only, everywhere: page, phone, terminal, log, table", "hostile names; Chromium",
         """faults/test_rows_secrets: row_43_hostile_names_in_log_page_table_and_message
            real/test_page_browser: hostile_names_do_nothing
            test_panels: nothing_from_outside_becomes_markup text_is_one_text_node_whatever_it_holds
            test_api: csv_is_harmless_in_a_spreadsheet
            test_status: words_from_outside_stay_words
            test_log_lines: no_name_makes_a_line_of_its_own_or_speaks_to_the_terminal
            test_notify: names_cannot_pose_as_markup"""),
    _row(44, "foreign_pages", "another site speaks in the owner's name", "refused: origin, site, host, token",
         "tables of requests; Chromium",
         """test_web: only_known_host_names_are_answered another_site_cannot_speak_for_you
            test_web: every_writing_route_refuses_other_sites
            real/test_page_browser: on_a_plain_network_name_our_own_forms_are_told_from_those_of_others"""),
    _row(45, "path_traversal", "paths that lead out", "404; names are no paths", "list of paths; schemathesis",
         """test_web: names_are_no_paths
            test_api: no_answer_that_the_description_does_not_have
            test_exchange: a_backup_that_is_not_whole_is_refused_and_nothing_is_touched"""),
    _row(46, "foreign_command", "somebody acts at a machine who may not", "refused, written down, told after three",
         "every route by every role; a spoofed command by MQTT",
         """test_views: every_route_by_every_role
            test_acting: who_may_act every_route_that_acts_is_in_the_table no_other_route_acts guessing_is_slowed_down
            test_actuate: off_unless_turned_on nobody_but_a_person_can_start_it
            test_intake: actions_are_never_taken_by_mqtt
            test_brain: three_attempts_to_act_are_worth_a_line_and_one_is_not"""),
    _row(47, "links", "a link of a message is fetched ahead, used twice, forged, expired",
         "opening does nothing, its button acts once, a forgery is refused in constant time", "a state machine",
         """test_web: opening_a_link_does_nothing_and_its_button_acts_once forged_and_expired_links_are_refused_clearly
            test_web: what_somebody_else_has_said_since_is_not_said_again_and_the_link_says_who_and_when
            test_web: links_cannot_be_guessed_at_speed
            test_links: any_changed_character_is_noticed every_key_is_compared_whole_wherever_a_forgery_differs
            test_links_stateful: TestLinks::runTest"""),
    _row(48, "loop_stalls", "the event loop is held, a task stands still, readers never read",
         "seen within 30 s with the stack in the log, the watchdog is no longer fed; queues are bounded",
         "failpoints below a service manager; 200 silent readers",
         """real/test_watchdog: a_brain_that_stands_still_and_a_loop_that_is_held_are_noticed_and_nothing_is_fed
            faults/test_rows_process: row_48_two_hundred_readers_that_never_read
            test_pulse: a_task_that_stands_still_stops_the_feeding_and_is_shown
            test_web: a_slow_page_s_queue_is_bounded_and_ends_in_a_snapshot
            real/test_long_open: a_page_left_open_for_long_does_not_grow"""),
)  # fmt: skip
