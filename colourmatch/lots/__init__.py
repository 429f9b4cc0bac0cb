"""What was done: the lot book and what is made from it."""
