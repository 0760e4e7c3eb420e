package machine

// Activity is what the machine is doing. The zero value is the honest one.
type Activity uint8

const (
	Unknown Activity = iota // nothing heard that would tell
	Off                     // engine not running
	Idle                    // standing, engine on, threshing off
	Travelling
	Cutting // threshing engaged, header in work, moving
	Turning // threshing engaged, header out of work, moving: headland
	Waiting // standing with threshing engaged
	Unloading
	Blocked // threshing engaged, rotor stopped or nearly
	activityCount
)

var activityNames = [activityCount]string{
	"unknown", "off", "idle", "travelling", "cutting", "turning", "waiting", "unloading", "blocked",
}

// String is the word that events, samples and MQTT use.
func (a Activity) String() string {
	if a < activityCount {
		return activityNames[a]
	}
	return "invalid"
}
