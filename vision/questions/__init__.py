"""The coach's questions, asked of a season file. Nothing here needs film or weights."""

from vision.questions.answers import QUESTIONS, Answer, answer
from vision.questions.filters import Asked, asked
from vision.questions.found import find, summarise

__all__ = ["QUESTIONS", "Answer", "Asked", "answer", "asked", "find", "summarise"]
