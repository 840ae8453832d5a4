"""Pictures of runs and their losses; what they are drawn with is in `inventory.rules.pictures`."""
