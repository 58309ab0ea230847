// Package glob matches paths with patterns, in a time that grows no faster than
// the length of the path times the size of the pattern.
//
//	?        one character of a name
//	*        any characters of one name, or none
//	[a-z_]   one of these characters; [^a-z] or [!a-z]: one of the others
//	{a,b}    either: short for several patterns, of which one fits
//	/**/     any folders, or none; /** at the end also fits the folder itself
//	\*       the character behind the backslash as it is
//
// A pattern fits a whole path. Nothing but a "/" of the pattern and ** fits a
// "/". A ** that shares its name with other characters is a *, and two stars of
// which a brace parts one from the other are no **.
package glob
