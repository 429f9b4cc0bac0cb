"""What is known of this card and this phone: from readings to colours; it knows no liquid in a lot."""
