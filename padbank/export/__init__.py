"""What a set would be: names, numbers, formats, sizes, the sheet's data; nothing is written here."""
