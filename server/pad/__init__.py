"""The pad sheet, pure."""
