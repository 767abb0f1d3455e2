"""What a rig shows while it is looked at live: figures, and what they mean in words."""
