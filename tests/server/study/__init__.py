"""What a recording is asked on demand."""
