"""What the label should say, how sure that is, and what would make it surer."""

from analysis.label.decision import decide_labels, try_values
from analysis.label.rulebook import Rulebook
from analysis.label.rulebook_file import load_rulebook

__all__ = ["Rulebook", "decide_labels", "load_rulebook", "try_values"]
