"""Machine state as a transition table.

A machine is in one of ten states. Triggers come from what it reports, from its plug, from its bed, and from
people. A pair that is not in the table leaves the state as it is. Whether something lies on the bed is kept
beside the state (`bed_full`), since a machine can fail, go silent or be switched off with a full bed: when
such a machine is idle again, the trigger is ``full``, not ``idle``.
"""

STATES: tuple[str, ...] = (
    "unknown", "off", "idle", "heating", "printing", "paused", "cooling", "waiting", "fault", "out_of_service",
)  # fmt: skip

TRIGGERS: dict[str, str] = {
    "off": "draws nothing or says that it is off, bed clear",
    "idle": "says or shows that it does nothing, bed clear",
    "full": "off or idle with something on the bed",
    "heating": "heats up for a build",
    "printing": "builds",
    "paused": "has stopped in mid-build and can go on",
    "over": "the build has ended, however it ended",
    "released": "the bed is cool enough to give the parts away",
    "cleared": "a person, or the next build's start, says that the bed is clear",
    "fault": "says that it cannot go on",
    "silent": "nothing is known of it any more",
    "taken_out": "a person takes it out of service",
    "put_back": "a person puts it back into service",
}

BUSY: frozenset[str] = frozenset({"heating", "printing", "paused"})
_IN_SERVICE = tuple(state for state in STATES if state != "out_of_service")
_SEEN = ("off", "idle", "heating", "printing", "paused", "fault")

TABLE: dict[tuple[str, str], str] = {
    **{(state, trigger): trigger for state in _IN_SERVICE for trigger in (*sorted(BUSY), "fault")},
    **{(state, "taken_out"): "out_of_service" for state in STATES},
    ("out_of_service", "put_back"): "unknown",
    **{(state, "off"): "off" for state in ("unknown", *_SEEN)},
    **{(state, "idle"): "idle" for state in ("unknown", *_SEEN)},
    **{(state, "full"): "waiting" for state in ("unknown", *_SEEN)},
    **{(state, "over"): "cooling" for state in ("unknown", *_SEEN, "waiting")},
    ("cooling", "released"): "waiting",
    ("cooling", "cleared"): "idle",
    ("waiting", "cleared"): "idle",
    **{(state, "silent"): "unknown" for state in _SEEN},
}


def step(state: str, trigger: str) -> str:
    """The state after `trigger`; KeyError for a trigger that is not in TRIGGERS.

    >>> step("printing", "over"), step("cooling", "released"), step("waiting", "silent")
    ('cooling', 'waiting', 'waiting')
    """
    TRIGGERS[trigger]
    return TABLE.get((state, trigger), state)


def as_markdown() -> str:
    """The table for the documentation: one row a state, one column a trigger, empty where nothing changes."""
    head = "| state | " + " | ".join(TRIGGERS) + " |"
    rule = "|---" * (len(TRIGGERS) + 1) + "|"
    rows = [
        "| " + " | ".join([state, *(TABLE.get((state, trigger), "") for trigger in TRIGGERS)]) + " |"
        for state in STATES
    ]
    return "\n".join([head, rule, *rows])
