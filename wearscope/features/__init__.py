"""What is measured on a cutter; siblings, none imports another."""
