"""Questions asked of the cycle; each answers with frozen records that reports only read."""
