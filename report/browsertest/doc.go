// Package browsertest tests the report's page in a real browser. It has tests
// alone, and they run only with FILEASSAY_TOOLS=1: they need chromium. The
// accessibility check needs axe-core besides, at the path FILEASSAY_AXE.
package browsertest
