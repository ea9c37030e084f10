"""What a reading means: its unit, the size it says, and where that size lies between its limits."""
