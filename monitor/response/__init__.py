"""How this belt answers a move: gain, restoring rate, resting place or walk, each with its spread."""

from monitor.response.answer import Ahead, BeltAnswer

__all__ = ["Ahead", "BeltAnswer"]
