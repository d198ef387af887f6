"""A page to play with: source, gain, rail and load on sliders, with sound and ten tasks, in one file."""

from __future__ import annotations

from gainkit.lesson.page import LessonMade, write_lesson

__all__ = ["LessonMade", "write_lesson"]
