"""What is most likely wrong, why, and what to do next."""

from bustrace.diagnosis.diagnose import diagnose
from bustrace.diagnosis.model import Diagnosis, Suspect
from bustrace.diagnosis.weighing import Weighed, weigh

__all__ = ["Diagnosis", "Suspect", "Weighed", "diagnose", "weigh"]
