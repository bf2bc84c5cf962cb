"""What a job's history says: every kind of record and every key of it, defined once.

Units stand in the names. Keys that only a later version writes are kept. Within Python a record is
told by its class, in the file by `what`.
"""

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Discriminator, Field, Tag, TypeAdapter

from breathmap.learner.decide.proposal import Rules
from breathmap.learner.decide.threshold import ThresholdRules
from breathmap.tools.run.summary import AlarmsSummary

Sha256 = Annotated[str, Field(pattern=r"\A[0-9a-f]{64}\z")]
# Of a file within the folder that the record speaks of, never of one elsewhere.
FileName = Annotated[str, Field(pattern=r"\A[^./\\\x00][^/\\\x00]*\z")]
Hashes = dict[FileName, Sha256]
# Number of a table (0: the start), of a pass, of a proposal.
TableNumber = Annotated[int, Field(ge=0)]
Counted = Annotated[int, Field(ge=1)]
Displacement = Annotated[float, Field(gt=0, allow_inf_nan=False)]
Choice = Literal["", "saturate", "rebase"]


def _kind_of_rules(rules: Any) -> str:
    earlier = isinstance(rules, ThresholdRules) or (
        isinstance(rules, dict) and "max_error" in rules
    )
    return "threshold" if earlier else "risk"


# Histories of earlier versions hold threshold rules.
AnyRules = Annotated[
    Annotated[Rules, Tag("risk")] | Annotated[ThresholdRules, Tag("threshold")],
    Discriminator(_kind_of_rules),
]

# What stands in the vehicle: as before the job, as while learning, or something else.
SetUp = Literal["original", "learning", "other"]

ORIGINAL: SetUp = "original"
LEARNING: SetUp = "learning"
OTHER: SetUp = "other"
SATURATE: Choice = "saturate"
REBASE: Choice = "rebase"


# In a pass on other axes: what earlier recordings say, learned as if made with its table.
CARRIED = "recording-000.bin"


class Part(BaseModel):
    """A part of a record; unchangeable, exact about types, tolerant of keys it does not know."""

    model_config = ConfigDict(extra="allow", frozen=True, strict=True, populate_by_name=True)


class Head(BaseModel):
    """What stands beside the history: number and content hash of its last line."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    number: Counted
    sha256: Sha256


class Entry(Part):
    """A recording: its file's name, content and size; of a log also the content of its mapping."""

    name: FileName
    sha256: Sha256
    size_bytes: int = Field(alias="bytes", ge=0)
    mapping: Sha256 | None = None


class AxesKept(Part):
    """A table's axes."""

    speed_rpm: list[float]
    load: list[float]


class DeviceKept(Part):
    """Who answered, as it names itself; see `breathmap.protocol.host.calibration.Device`."""

    device_name: str
    firmware: str
    controller_name: str
    serial: str
    controller_firmware: str


class Verdicts(Part):
    """What became of a bank's samples. refused: samples by reason."""

    samples: int
    used: int
    refused: dict[str, int]


class Record(Part):
    """What every record says. time: of the day, UTC. previous: hash of the line before."""

    number: Counted
    what: str
    time: Annotated[str, Field(pattern=r"\A\d{4}-\d\d-\d\dT\d\d:\d\d")]
    software: str
    previous: Sha256 | Literal[""]

    def as_dict(self) -> dict[str, Any]:
        """Return it as it is written: only what was set, the hash of the line before at the end."""
        values = self.model_dump(by_alias=True, exclude_unset=True)
        head = {"number": values.pop("number"), "what": self.what}
        previous = values.pop("previous")
        return {**head, **values, "what": self.what, "previous": previous}

    @property
    def day(self) -> str:
        """The day of it, year first."""
        return self.time[:10]


class TableSet(Record):
    """From here on the job goes on from another table."""

    table: TableNumber


class Created(TableSet):
    """The job was made. by_wire: read from a controller. description: hash of engine.toml.
    device: whose controller it was read from."""

    what: Literal["created"] = "created"
    by_wire: bool
    banks: list[str]
    axes: AxesKept
    displacement_cm3: Displacement
    description: Sha256
    files: Hashes
    device: DeviceKept | None = None


class Prepared(Record):
    """The sheet was written. by_hand: names of what a person is to set."""

    what: Literal["prepared"] = "prepared"
    by_wire: bool
    description: Sha256
    sheet: Sha256
    by_hand: list[str]


class Learned(Record):
    """Recordings joined a pass. recovered: an interrupted run left them. verdicts: by bank, of the
    whole pass. tables: those that the pass runs on. alarms: of the whole pass; None: not known."""

    what: Literal["learned"] = "learned"
    recovered: bool = False
    verdicts: dict[str, Verdicts] = {}
    pass_number: Counted = Field(alias="pass")
    table: TableNumber
    recordings: list[Entry]
    description: Sha256
    tables: Hashes
    alarms: AlarmsSummary | None = None


class OfRecording(Record):
    """Something about a recording of a pass."""

    pass_number: Counted = Field(alias="pass")
    recording: FileName
    sha256: Sha256


class Dropped(OfRecording):
    """A recording was set aside. from_s, to_s: a span of it, seconds since its first sample; where
    one is not given, from its beginning or to its end."""

    what: Literal["dropped"] = "dropped"
    from_s: Annotated[float, Field(ge=0)] = 0.0
    to_s: Annotated[float, Field(gt=0)] = float("inf")
    reason: str


class Restored(OfRecording):
    """All that was set aside of a recording counts again."""

    what: Literal["restored"] = "restored"


class Proposed(Record):
    """A pass was solved. target: remaining fuelling error to stop at, a fraction. recordings: the
    hashes of what was learned. finished: good enough to finish. despite, despite_reason: likely
    causes that make the table unsafe to store, and why it was proposed all the same."""

    what: Literal["proposed"] = "proposed"
    proposal: Counted
    table: TableNumber
    choice: Choice
    rules: AnyRules
    target: float
    displacement_cm3: Displacement
    recordings: list[Sha256]
    description: Sha256
    cautions: list[str]
    finished: bool
    files: Hashes
    pass_number: Counted = Field(alias="pass")
    despite: list[str] = []
    despite_reason: str = ""


class TableMoved(TableSet):
    """The job went from one table to another."""

    from_table: TableNumber


class TableMade(TableMoved):
    """The job went on from a table that was made then."""


class Accepted(TableMade):
    """A proposal became a table. files: the table's. proposal_files: the proposal's."""

    what: Literal["accepted"] = "accepted"
    proposal: Counted
    displacement_cm3: Displacement
    files: Hashes
    proposal_files: Hashes


class EditedCell(Part):
    """A cell that a person set. risk: probability that it is leaner than the rules tolerate, by
    what the pass found; None where nothing was learned there."""

    bank: str
    speed_rpm: float
    load: float
    before_pct: float
    after_pct: float
    risk: float | None = None


class Edited(TableMade):
    """A person changed cells of the table. files: the new one's. says: who, and why. how: in which
    way. judged_by: the pass whose evidence the rules were asked of, None where there is none.
    despite: it was done although the rules forbid it."""

    what: Literal["edited"] = "edited"
    displacement_cm3: Displacement
    files: Hashes
    says: str
    how: str
    cells: list[EditedCell]
    rules: Rules
    judged_by: Counted | None = Field(None, alias="pass")
    despite: bool = False


class AxesChanged(TableMade):
    """The job went on from the same table as it reads on other axes, nowhere leaner. files: the
    table's, with the advice and what the pass would have learned with it. recordings: those of
    the pass that counted. description: the pass's. despite, despite_reason: as of a proposal."""

    what: Literal["axes"] = "axes"
    displacement_cm3: Displacement
    files: Hashes
    axes: AxesKept
    pass_number: Counted = Field(alias="pass")
    recordings: list[Sha256]
    description: Sha256
    despite: list[str] = []
    despite_reason: str = ""


class Undone(TableMoved):
    """The job went back to an earlier table, or forward again."""

    what: Literal["undone"] = "undone"
    displacement_cm3: Displacement


class Stored(Record):
    """The table was written to the controller and read back. set_up: what was in it besides."""

    what: Literal["stored"] = "stored"
    table: TableNumber
    by_wire: bool
    set_up: SetUp | None = None


class Writing(Record):
    """A write to the controller begins: until it is read back, nobody knows what it holds.
    set_up: the one wanted. command: which command wrote."""

    what: Literal["writing"] = "writing"
    command: str
    port: str
    table: TableNumber
    set_up: SetUp


class Unchanged(Record):
    """A write failed, and the controller, read back, holds what it held before."""

    what: Literal["unchanged"] = "unchanged"
    port: str


class ReadBack(Record):
    """The controller was read. table: the job's that it holds, None for another."""

    what: Literal["read"] = "read"
    port: str
    table: TableNumber | None
    set_up: SetUp


class DeviceTaken(Record):
    """This device is the job's from here on. reason: why another is taken; "" for the first."""

    what: Literal["device"] = "device"
    device: DeviceKept
    reason: str


class Originals(Record):
    """Original values that the start did not know. target_lambda: cells, row by row."""

    what: Literal["originals"] = "originals"
    settings: dict[str, float]
    target_lambda: list[float] | None = None


class Finished(Record):
    """The final calibration was written. by_wire: read back from the controller. verified: and
    nothing was left to a person. compared, differing: fields, against the start."""

    what: Literal["finished"] = "finished"
    table: TableNumber
    by_wire: bool
    verified: bool
    compared: int
    differing: int
    displacement_cm3: Displacement
    files: Hashes


class Checked(Record):
    """A drive after `finish`. signs: of a learning set-up that is still in, a line each.
    looked_for: what this drive could show."""

    what: Literal["checked"] = "checked"
    signs: list[str]
    recordings: list[Entry]
    looked_for: list[str] | None = None


WIRED = (Created, Prepared, Stored, Finished)
RECORD: TypeAdapter[Record] = TypeAdapter(
    Annotated[
        Created
        | Prepared
        | Learned
        | Dropped
        | Restored
        | Proposed
        | Accepted
        | Edited
        | AxesChanged
        | Undone
        | Stored
        | Writing
        | Unchanged
        | ReadBack
        | DeviceTaken
        | Originals
        | Finished
        | Checked,
        Field(discriminator="what"),
    ]
)
