"""What is printed: card, sheet, labels; it decides nothing."""
