"""How things are told, once for command line, pages and paper; it knows no book, no photo and no arithmetic."""
