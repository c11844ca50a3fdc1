"""What is most likely wrong, why, and what to do next."""

from bustrace.diagnosis.diagnose import diagnose
from bustrace.diagnosis.grouping import Weighed
from bustrace.diagnosis.model import Diagnosis, Suspect
from bustrace.diagnosis.weighing import weigh

__all__ = ["Diagnosis", "Suspect", "Weighed", "diagnose", "weigh"]
