"""How the machine moves: springs, friction, the slow march, dynamics, a push by hand."""

from gantrysim.mechanics.handpush import PushResult, push

__all__ = ["PushResult", "push"]
