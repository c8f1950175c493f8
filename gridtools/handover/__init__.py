"""What people read: field sheets and reports, as content; others write the files."""
