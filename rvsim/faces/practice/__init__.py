"""Exercises with known answers: where they come from, how an answer is judged, what is kept of it."""
