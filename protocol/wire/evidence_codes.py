# Board-safe: runs on CPython and MicroPython alike.
"""The numbers of the evidence frames that need no field table: types, actions, outcomes, sizes."""

EVIDENCE_TYPE = 48
PART_TYPE = 49
LEARNER_ROW_TYPE = 50
LEARNER_REQUEST_TYPE = 72
LEARNER_ANSWER_TYPE = 73

# Data bytes of a full part: 28 doubles or 56 singles.
PART_BYTES = 224

# Terms of the model in the fingerprint; the film's own is its time constant in milliseconds. 65534
# stood for another form of the film's growth and is not used again.
FILM_GROWTH_CODE = 65532
FILM_TIME_CODE = 65533
CHARGE_LEAD_CODE = 65535

# What a learner is asked, by number.
LEARNER_ACTIONS = (
    "send_identity",
    "send_status",
    "take_snapshot",
    "send_parts",
    "send_row",
    "clear",
)
SEND_IDENTITY = 0
SEND_STATUS = 1
TAKE_SNAPSHOT = 2
SEND_PARTS = 3
SEND_ROW = 4
CLEAR = 5

# What became of a request, by number.
LEARNER_OUTCOMES = (
    "done",
    "no_such_place",
    "other_evidence",
    "not_kept",
)
DONE = 0
NO_SUCH_PLACE = 1
OTHER_EVIDENCE = 2
NOT_KEPT = 3
