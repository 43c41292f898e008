"""What any long-running program needs: errors in words, files, keys, progress, processes. Knows nothing of teeth."""
