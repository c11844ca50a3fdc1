"""What is wrong as far as it can be observed: rules, the ladder, the derail."""

from bustrace.findings._kernels import (
    BEHIND,
    BUS,
    DECODER,
    EITHER_WINS,
    EVERY_CHIP,
    FIRST_WINS,
    HIGH_WINS,
    LATE,
    LOW_WINS,
    PINS,
    RAM,
    READS,
    SECOND_WINS,
    SOMETIMES_PRICE,
    SOMETIMES_SHARE,
    TELLS,
    WEAK_HIGH,
    WEAK_LOW,
    WRITES,
    choice_bits,
)
from bustrace.findings.again import differences
from bustrace.findings.answers import (
    HEALTHY,
    WRONG_ONLY,
    Answers,
    Assumption,
    BoardReplay,
    NowAndThen,
)
from bustrace.findings.evidence import Evidence, gather
from bustrace.findings.io_chips import ways_of
from bustrace.findings.joined_rules import (
    lines_that_ask_for_nmi,
    lines_with_ready,
    of_two_groups,
)
from bustrace.findings.memory_rules import doubled_by_file, sole_driver, wrong_beside, wrong_bits
from bustrace.findings.model import Derail, Finding, Rung
from bustrace.findings.observe import RULES, Observations, find_all, in_order, observe
from bustrace.findings.poll_rules import shown_to_answer
from bustrace.findings.progress import HELD_RULES
from bustrace.findings.reset_rules import PERIODIC, last_release, release_ps
from bustrace.findings.shared_rules import behind_buffers, on_rails, served_by_decoders

__all__ = [
    "BEHIND",
    "BUS",
    "DECODER",
    "EITHER_WINS",
    "EVERY_CHIP",
    "FIRST_WINS",
    "HEALTHY",
    "HELD_RULES",
    "HIGH_WINS",
    "LATE",
    "LOW_WINS",
    "PERIODIC",
    "PINS",
    "RAM",
    "READS",
    "RULES",
    "SECOND_WINS",
    "SOMETIMES_PRICE",
    "SOMETIMES_SHARE",
    "TELLS",
    "WEAK_HIGH",
    "WEAK_LOW",
    "WRITES",
    "WRONG_ONLY",
    "Answers",
    "Assumption",
    "BoardReplay",
    "Derail",
    "Evidence",
    "Finding",
    "NowAndThen",
    "Observations",
    "Rung",
    "behind_buffers",
    "choice_bits",
    "differences",
    "doubled_by_file",
    "find_all",
    "gather",
    "in_order",
    "last_release",
    "lines_that_ask_for_nmi",
    "lines_with_ready",
    "observe",
    "of_two_groups",
    "on_rails",
    "release_ps",
    "served_by_decoders",
    "shown_to_answer",
    "sole_driver",
    "ways_of",
    "wrong_beside",
    "wrong_bits",
]
