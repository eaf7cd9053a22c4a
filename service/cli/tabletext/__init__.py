"""What ``furrowslice tables`` prints about tables: words, pictures, lists and pages, and no decisions."""
