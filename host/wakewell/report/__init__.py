"""Pages, pictures and tables that show how a pot is doing."""
