"""What the owner looks at: tables, figures, the page, the workbook, the files. The only layer that draws or rounds."""
