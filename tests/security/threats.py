"""What could be done to the daemon, what stops it, and the tests that show it; see 'Security' in DEVELOPERS.md."""

from __future__ import annotations

from typing import NamedTuple


class Threat(NamedTuple):
    """One row: each test is `file::function` below tests/."""

    id: str
    threat: str
    stopped_by: str
    tests: tuple[str, ...]


THREATS = (
    Threat(
        "S1", "malicious payload: huge, deep, doubled keys, NaN, endless integer, no UTF-8",
        "4 KiB before anything is parsed, 16 levels, each trap of JSON refused by a named error",
        ("adapters/test_payload.py::test_trap_is_refused_by_its_name",
         "adapters/test_payload.py::test_no_other_error_escapes_from_any_bytes",
         "adapters/probes/test_mqtt_topic.py::test_huge_message_is_never_parsed",
         "adapters/test_flock_client.py::test_a_message_that_is_cut_off_or_has_no_sense_is_called_malformed",
         "fuzz/test_corpus.py::test_every_kept_input_still_holds_to_the_promises_of_its_parser"),
    ),
    Threat(
        "S2", "malicious topic: wildcard, NUL, system topic, another installation's",
        "only exact topics of the config are subscribed, and a level is made of safe signs",
        ("adapters/probes/test_mqtt_topic.py::test_topic_that_is_not_exact_is_refused",
         "adapters/test_outlet_mqtt_topic.py::test_levels_are_safe_whatever_the_names_are"),
    ),
    Threat(
        "S3", "forged reading: whoever may publish on a probe's topic can say 25 degC",
        "the broker's ACL and TLS; here a kept message is no reading, a flood is thinned, times that cannot be are refused,"
        " and two probes that disagree are told",
        ("adapters/probes/test_mqtt_topic.py::test_what_the_broker_kept_is_no_fresh_sample",
         "adapters/probes/test_mqtt_topic.py::test_flood_is_thinned_to_a_bounded_number_of_readings",
         "daemon/watch/test_inbox.py::test_a_time_that_cannot_be_is_a_fault_of_the_probe_and_no_reading"),
    ),
    Threat(
        "S4", "forged or replayed word of the keeper: an alarm acknowledged or shelved by a stranger",
        "off unless configured; HMAC-SHA-256 over topic and text, two minutes, each id once and remembered on disk,"
        " nothing kept by the broker, no word that corrects a probe",
        ("daemon/watch/test_remote_words.py::test_forged_replayed_malformed_and_kept_words_are_refused_and_answered",
         "daemon/watch/test_remote_words.py::test_a_restart_forgets_no_id",
         "daemon/watch/test_remote_words.py::test_a_storm_of_forged_words_is_counted_and_neither_fills_the_log_nor_drowns_a_good_one",
         "daemon/watch/test_remote_words.py::test_without_the_table_nothing_is_subscribed",
         "adapters/test_keeper_words.py::test_a_forger_learns_nothing_and_uses_up_no_id"),
    ),
    Threat(
        "S4a", "forged, replayed or misread answer by mail: a stranger acknowledges, or a note of absence, or a quotation",
        "off unless configured; an outgoing connection to a checked certificate; the letter's id bears an HMAC-SHA-256 over"
        " letter and address, used once, for three days; the sender must be one whom letters go to; one word in the first line"
        " of what is not quoted",
        ("adapters/answers/test_reading.py::test_what_is_no_answer_of_the_keeper_is_left_alone",
         "adapters/answers/test_reading.py::test_what_is_quoted_below_is_never_taken",
         "adapters/answers/test_reading.py::test_the_word_is_found_above_and_below_every_manner_of_quoting_and_never_within",
         "adapters/answers/test_reading.py::test_html_alone_is_read_as_it_is_shown",
         "adapters/answers/test_reading.py::test_no_bytes_bring_another_error",
         "daemon/watch/test_mail_words.py::test_seen_acknowledges_and_the_answer_says_so_and_how_it_is",
         "daemon/watch/test_mail_words.py::test_what_is_no_word_of_the_keeper_does_nothing",
         "daemon/watch/test_mail_words.py::test_a_letter_that_is_too_old_or_not_ours_is_not_answered",
         "daemon/watch/test_mail_words.py::test_a_restart_between_a_word_and_its_answer_loses_and_doubles_nothing",
         "daemon/watch/test_mail_words.py::test_the_key_and_the_ledger_are_for_us_alone",
         "daemon/watch/test_mail_words.py::test_without_the_table_no_letter_bears_a_token_and_its_outlet_must_mail"),
    ),
    Threat(
        "S4b", "the mailbox as a lever: endless answers, a mail loop, the keeper's private mail read or marked, a huge message",
        "twenty answers an hour; no answer to a program's mail; of foreign mail the header is looked at and nothing is changed;"
        " 64 KiB are asked for; the log-in is told nowhere",
        ("daemon/watch/test_mail_words.py::test_so_many_answers_an_hour_are_looked_at",
         "adapters/answers/test_mailbox.py::test_messages_are_read_from_a_number_on_and_stay_unread",
         "adapters/answers/test_mailbox.py::test_a_wrong_password_bars_and_is_not_repeated",
         "adapters/answers/test_mailbox.py::test_a_certificate_that_is_not_known_bars",
         "adapters/answers/test_mailbox.py::test_a_certificate_of_another_name_bars"),
    ),
    Threat(
        "S5", "mail header injection by a name or a text",
        "every foreign text is cleaned before it is worded; headers are made by the email library under its strict policy",
        ("adapters/test_outlet_letter.py::test_no_text_can_add_or_change_a_header",
         "adapters/test_outlet_letter.py::test_settings_that_could_not_be_safe_are_refused",
         "adapters/test_wording.py::test_a_title_with_evil_signs_cannot_leave_its_place"),
    ),
    Threat(
        "S6", "body tricks: a line with a single dot, over-long lines, hidden signs",
        "dot-stuffing, folding, no control, format or direction signs in any letter",
        ("adapters/test_outlet_letter.py::test_a_line_that_is_a_single_dot_arrives_as_one",
         "adapters/test_wording.py::test_foreign_text_never_carries_control_or_direction_signs"),
    ),
    Threat(
        "S7", "smuggled second message by a bare CR or LF",
        "CRLF only on the wire",
        ("adapters/test_outlet_letter.py::test_no_text_can_add_or_change_a_header",),
    ),
    Threat(
        "S8", "secrets told: in log, traceback, check, MQTT, mail, state, arguments, environment, a memory dump",
        "secrets stand in files of their own, never inline, and are wrapped where they are read; tracebacks have no variables",
        ("security/test_running_daemon.py::test_no_port_is_open_and_no_secret_is_told",
         "daemon/test_logs.py::test_a_traceback_never_shows_a_local_variable",
         "daemon/test_cli.py::test_check_looks_at_secret_files_but_never_tells_a_secret",
         "daemon/test_cli.py::test_a_bug_ends_with_70_and_a_traceback_without_variables",
         "daemon/config/test_configuration.py::test_a_secret_written_into_the_config_is_refused_and_never_repeated",
         "adapters/test_secrets_file.py::test_refusal_never_shows_the_secret",
         "adapters/test_secrets_file.py::test_secret_is_not_shown_by_its_repr",
         "adapters/test_outlet_letter.py::test_a_wrong_password_bars_the_outlet_and_is_told_without_the_password",
         "daemon/test_unit_file.py::test_no_memory_dump_with_passwords_is_ever_written"),
    ),
    Threat(
        "S8a", "a server that repeats the log-in in its answer, as it came, decoded or in pieces, at once or later",
        "of the answer to a log-in only the code is told, of a broker's reasons only the code's meaning; other words of a mail"
        " server are left out when they hold six signs of what was sent",
        ("adapters/test_mail_log_in.py::test_a_server_that_echoes_the_log_in_puts_it_nowhere",
         "adapters/test_mail_log_in.py::test_passwords_of_every_kind_are_left_out",
         "adapters/test_evil_broker.py::test_of_what_a_broker_says_only_the_meaning_of_its_code_is_repeated"),
    ),
    Threat(
        "S8b", "a secret file that others may read or write",
        "refused with the remedy, before anything is sent",
        ("adapters/test_secrets_file.py::test_file_that_others_may_touch_is_refused_with_the_remedy",
         "adapters/test_mqtt_session.py::test_open_secret_file_is_refused_before_anything_is_sent",
         "adapters/test_outlet_letter.py::test_a_password_file_that_others_may_read_bars_the_outlet",
         "daemon/watch/test_remote_words.py::test_a_key_that_others_may_read_is_refused"),
    ),
    Threat(
        "S8c", "eavesdropping: certificate of another name, expired, of an unknown authority; STARTTLS stripped",
        "certificates are always checked, no setting and no line of source can skip it; no log-in before encryption",
        ("adapters/test_mqtt_session.py::test_certificate_for_another_name_is_named",
         "adapters/test_mqtt_session.py::test_expired_certificate_is_named",
         "adapters/test_mqtt_session.py::test_certificate_of_an_unknown_authority_is_named",
         "adapters/test_outlet_letter.py::test_a_certificate_for_another_name_is_not_accepted",
         "adapters/test_outlet_letter.py::test_a_certificate_of_an_unknown_authority_is_not_accepted",
         "adapters/test_outlet_letter.py::test_encryption_that_was_stripped_ends_before_the_log_in",
         "security/test_no_way_round.py::test_no_setting_of_any_table_weakens_the_check_of_certificates",
         "security/test_source.py::test_nothing_is_executed_from_data_no_door_is_opened_and_no_check_is_skipped"),
    ),
    Threat(
        "S9", "a path that leads elsewhere: link, FIFO, folder, endless file, `..`, NUL",
        "files are opened without waiting and looked at after opening; no received text ever becomes a path",
        ("daemon/config/test_configuration.py::test_a_fifo_does_not_hang",
         "daemon/config/test_configuration.py::test_a_missing_file_a_loop_of_links_and_a_nul_are_told",
         "daemon/store/test_spool.py::test_a_fifo_a_link_and_a_folder_neither_hang_nor_pass",
         "adapters/test_secrets_file.py::test_missing_file_folder_and_pipe_are_refused_at_once",
         "adapters/test_regular_file.py::test_check_ends_whatever_stands_where_files_should",
         "security/test_no_way_round.py::test_a_credential_cannot_name_a_path"),
    ),
    Threat(
        "S10", "a config that is a bomb, or that anyone may change",
        "256 KiB, TOML without anchors or tags, refused when others may write it; nothing in it is executed",
        ("daemon/config/test_configuration.py::test_what_is_no_toml_is_told_with_its_line",
         "daemon/config/test_configuration.py::test_a_config_that_anyone_may_change_is_refused",
         "daemon/config/test_configuration.py::test_no_text_at_all_gives_anything_but_a_config_or_a_config_error"),
    ),
    Threat(
        "S11", "log and terminal injection: new line, escape sequence, direction mark, forged record",
        "received text is only ever a value; steering signs are escaped in log and check, refused or taken out in words",
        ("daemon/test_logs.py::test_json_is_one_object_per_line_whatever_is_said",
         "daemon/test_logs.py::test_no_form_lets_a_steering_character_through",
         "adapters/test_outlet_console.py::test_nothing_that_steers_a_terminal_is_written",
         "adapters/test_payload.py::test_quotation_of_foreign_text_has_no_control_characters",
         "rules/terms/test_words.py::test_texts_that_no_rule_looks_at_carry_nothing_that_steers_a_terminal_or_hides_text",
         "rules/terms/test_words.py::test_a_note_or_a_leaf_with_such_signs_is_refused_by_the_rules",
         "security/test_running_daemon.py::test_no_port_is_open_and_no_secret_is_told"),
    ),
    Threat(
        "S11b", "markup in a name or a word becomes part of a page, a chart or a letter",
        "every text is escaped where HTML or SVG is written; pages hold no script and fetch nothing",
        ("security/test_running_daemon.py::test_no_port_is_open_and_no_secret_is_told",
         "adapters/test_wording.py::test_a_title_with_evil_signs_cannot_leave_its_place"),
    ),
    Threat(
        "S12", "memory or disk filled from outside",
        "bounded inbox, outbox, spool, log and lines; the unit bounds memory, threads and files",
        ("daemon/watch/test_inbox.py::test_a_flood_of_one_probe_costs_its_own_oldest_readings_only",
         "daemon/store/test_history.py::test_too_many_waiting_messages_cost_the_expendable_first_and_never_an_open_raise",
         "daemon/store/test_spool.py::test_too_many_waiting_words_are_refused_and_none_is_lost",
         "adapters/probes/test_serial_text.py::test_line_without_end_takes_no_memory_and_is_counted_once",
         "adapters/test_payload.py::test_ten_thousand_malformed_lines_are_counted_told_once_each_kind_and_keep_no_memory"),
    ),
    Threat(
        "S12b", "a broker that is evil, or carries what somebody else kept there: a message of 256 MB with each connection,"
        " one that is never released, acknowledgements never taken, packets without sense",
        "64 KiB of a message are taken, the rest is passed over; what was not asked for or makes no sense ends the connection",
        ("adapters/test_evil_broker.py::test_a_kept_message_of_many_megabytes_takes_no_memory_and_holds_back_none",
         "adapters/test_evil_broker.py::test_a_survey_is_not_drowned_by_it_either",
         "adapters/test_evil_broker.py::test_what_no_broker_says_ends_the_connection_and_is_no_fault_of_ours",
         "adapters/test_evil_broker.py::test_acknowledgements_that_nobody_takes_do_not_pile_up"),
    ),
    Threat(
        "S13", "letters in floods, so that the true one is not read",
        "an alarm that chatters is told by its noise and folded; old letters become one",
        ("daemon/delivery/test_owed.py::test_many_old_letters_become_one_with_the_newest_word_on_each_alarm",
         "daemon/test_keeper_commands.py::test_an_alarm_that_comes_and_goes_is_listed_with_a_proposal_from_its_own_noise"),
    ),
    Threat(
        "S14", "silence: broker or mail cut off",
        "each way tells of the other, a last will says it, a digest is missed; both cut off at once: only the log is left",
        ("daemon/delivery/test_delivery.py::test_when_mail_does_not_let_us_in_mqtt_says_so_and_the_letters_wait",
         "adapters/test_outlet_mqtt_topic.py::test_a_topic_says_whether_it_watches",
         "adapters/test_wording.py::test_a_weekly_digest_says_when_the_next_one_is_missed"),
    ),
    Threat(
        "S15", "SQL injection by a name or a text",
        "SQL is constant, values are bound",
        ("security/test_no_way_round.py::test_names_made_of_sql_are_stored_and_found_as_names",
         "security/test_source.py::test_sql_is_constant_and_its_values_are_bound",
         "security/test_source.py::test_no_sql_is_put_together_from_text"),
    ),
    Threat(
        "S16", "a changed dependency; code from a config, a file or a message",
        "exact versions with hashes; no plug-ins, no pickle, no eval, no shell; few packages",
        ("security/test_dependencies.py::test_every_requirement_is_one_version_with_hashes",
         "security/test_dependencies.py::test_no_lock_names_an_index_a_host_or_a_path",
         "security/test_dependencies.py::test_pip_is_told_to_demand_the_hashes",
         "security/test_source.py::test_nothing_is_executed_from_data_no_door_is_opened_and_no_check_is_skipped",
         "security/test_source.py::test_only_reviewed_modules_start_a_process_and_their_program_is_ours",
         "security/test_source.py::test_no_module_is_imported_by_a_name_from_data"),
    ),
    Threat(
        "S17", "a daemon that was taken over reaches the rest of the machine",
        "its own user without rights, read-only system, serial lines only, few system calls: exposure at most 1.3",
        ("daemon/test_unit_file.py::test_the_exposure_is_at_most_1_3",
         "daemon/test_unit_file.py::test_a_weakened_unit_would_not_pass",
         "daemon/watch/test_daemon.py::test_what_it_records_is_for_its_user_and_group_only"),
    ),
    Threat(
        "S17b", "a door into the machine: a listening socket",
        "there is none in any configuration: dewlid is a client of a broker and of a mail server",
        ("security/test_running_daemon.py::test_no_port_is_open_and_no_secret_is_told",
         "security/test_running_daemon.py::test_the_search_finds_an_open_port",
         "security/test_source.py::test_nothing_is_executed_from_data_no_door_is_opened_and_no_check_is_skipped"),
    ),
    Threat(
        "S18", "advice wired to a device",
        "no topic commands anything, each message says that it only advises, no writing Modbus function exists",
        ("daemon/delivery/test_owed.py::test_every_kind_of_event_goes_to_mqtt_under_its_stable_id_and_says_that_it_only_advises",
         "adapters/test_modbus_frame.py::test_program_has_no_writing_function",
         "test_house.py::test_no_modbus_write_function_exists"),
    ),
    Threat(
        "S19", "a configured pattern that takes for ever on a made-up line",
        "the work of a pattern is bounded when the config is read; lines have at most 128 characters",
        ("adapters/test_bounded_pattern.py::test_pattern_that_could_explode_elsewhere_ends_on_lines_made_to_delay_it",
         "adapters/test_bounded_pattern.py::test_ordinary_pattern_is_taken_and_ends_on_lines_made_to_delay_it"),
    ),
    Threat(
        "S20", "a clock that is set wrongly from outside",
        "the stream's time follows the machine's running time; a step moves what is remembered and decides nothing",
        ("daemon/test_clock.py::test_a_step_of_a_year_forward_gives_no_present_in_between",
         "daemon/test_clock.py::test_a_start_before_the_newest_record_goes_on_from_the_record_and_owes_the_step"),
    ),
    Threat(
        "S21", "a word that ends every start anew: absurd instant, half a character, a correction of 100 K, 1e308 ml",
        "words hold only what every part can name, show and write down; what is no word is moved aside with its reason; figures"
        " that cannot be are refused by the rules, and a correction that an older program took is ignored and told",
        ("rules/keeper/test_impossible_figures.py::test_what_cannot_be_is_refused_with_what_is_allowed_and_changes_no_figure",
         "daemon/watch/test_engine.py::test_a_store_that_holds_an_impossible_correction_starts_and_watches_on",
         "daemon/store/test_spool.py::test_what_is_no_word_is_moved_aside_with_its_reason",
         "rules/terms/test_words.py::test_an_instant_that_no_calendar_has_is_refused",
         "rules/terms/test_words.py::test_every_text_of_every_word_is_bounded"),
    ),
    Threat(
        "S22", "the record deleted, moved, replaced, cut or damaged so that it forgets; its disk made full or read-only",
        "what is open is written back, another file is never overwritten, a start goes on from the newest good backup;"
        " without a disk it watches from memory; each of these is told to the keeper",
        ("daemon/store/test_recovery.py::test_a_store_that_is_deleted_or_moved_while_it_is_used_is_written_back",
         "daemon/store/test_recovery.py::test_another_file_in_the_place_of_the_store_is_not_overwritten",
         "daemon/store/test_recovery.py::test_a_store_that_lost_all_or_its_end_goes_on_from_the_backup_and_says_so",
         "daemon/watch/test_engine.py::test_a_store_that_comes_back_damaged_while_it_watches_is_recovered_examined_and_told",
         "faults/test_dying_disk.py::test_a_start_without_a_store_watches_tells_and_catches_up"),
    ),
)  # fmt: skip
