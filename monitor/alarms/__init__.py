"""Alarms: what each one means and what to do about it, and the life cycle that keeps them few and honest."""
