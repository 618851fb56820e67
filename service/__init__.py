"""What people touch and what touches the world: commands and file formats."""
