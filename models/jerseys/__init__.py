"""Reading the number on a man's chest or back."""
