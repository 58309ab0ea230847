// Package ranges keeps ranges of bytes: [Set] is a set of them, [Map] gives
// each a value. Every part of the program that says where something lies says
// it with these types, in bytes of the image unless it says otherwise.
package ranges
