// Package browsertest tests the report's page in a real browser. It has tests
// alone, and they run only with FILEASSAY_TOOLS=1: they need chromium, and npm
// for the accessibility check.
package browsertest
