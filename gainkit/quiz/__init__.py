"""Practice: random cars and captures as a worksheet, and its answers apart."""

from __future__ import annotations

from gainkit.quiz.making import QuizMade, write_quiz

__all__ = ["QuizMade", "write_quiz"]
