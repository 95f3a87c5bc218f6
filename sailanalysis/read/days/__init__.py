"""A card full of logs told apart into sailing days: what was recorded, when she sailed, the cuts.

``read_days`` is the door.
"""
