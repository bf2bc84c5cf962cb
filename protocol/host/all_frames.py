"""Every frame type of this version, for the host: specification, vectors, codecs, link.

A board names to its reader the few that it wants, and need not load this list.
"""

from breathmap.protocol.wire.control_fields import CONTROL_FRAMES
from breathmap.protocol.wire.evidence_fields import EVIDENCE_FRAMES
from breathmap.protocol.wire.fields import FRAMES

ALL_FRAMES = (*FRAMES, *CONTROL_FRAMES, *EVIDENCE_FRAMES)
