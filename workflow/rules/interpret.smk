"""Stage 5. In: the archive's tables. Out: drift, loading, ratings, figures, pages, workbook."""

INTERPRETED_TABLES = []


def everything():
    return [*ARCHIVE_TABLES, *INTERPRETED_TABLES]
