"""CSV logs of any layout: header, times, columns, values."""
