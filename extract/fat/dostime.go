package fat

import "time"

// dosTime is the clock reading of a date and a time as FAT and exFAT keep them,
// as if it were UTC; zero for a reading that no clock shows. FAT: General
// Overview 1.03, "Date and Time Formats"; exFAT specification 7.4.8.
//
// date: bits 0-4 day, 5-8 month, 9-15 year from 1980. clock: bits 0-4 seconds
// halved, 5-10 minute, 11-15 hour. hundredths is 0 to 199, in 10 ms; more is
// left aside.
func dosTime(date, clock uint16, hundredths uint8) time.Time {
	day, month, year := int(date&31), int(date>>5&15), 1980+int(date>>9)
	sec, minute, hour := 2*int(clock&31), int(clock>>5&63), int(clock>>11)
	if day == 0 || month == 0 || month > 12 || sec > 58 || minute > 59 || hour > 23 {
		return time.Time{}
	}
	if hundredths > 199 {
		hundredths = 0
	}
	t := time.Date(year, time.Month(month), day, hour, minute, sec, int(hundredths)*10_000_000, time.UTC)
	if t.Day() != day {
		return time.Time{} // the 31st of a shorter month
	}
	return t
}
