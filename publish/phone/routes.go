package phone

import (
	"net/http"
	"strings"
)

// route is what can be asked at a path with a method.
type route struct {
	method, path string
	// role is the least that may: NoRole lets everybody.
	role Role
	// here lets programs on this computer itself as well.
	here bool
	do   func(s *Server, w http.ResponseWriter, r *http.Request, who *device)
}

const api = "/api/v1/"

// routes are all there are beside the files of the page. What a table does not
// list cannot be asked.
var routes = []route{
	{"GET", api + "healthz", NoRole, false, (*Server).healthz},
	{"POST", api + "pair", NoRole, false, (*Server).pair},

	{"GET", api + "me", Look, false, (*Server).me},
	{"GET", api + "stream", Look, false, (*Server).stream},
	{"GET", api + "history", Look, false, (*Server).history},
	{"GET", api + "day", Look, false, (*Server).day},
	{"GET", api + "downloads", Look, false, (*Server).downloads},
	{"GET", download, Look, false, (*Server).download},

	{"POST", api + "acknowledge", Answer, false, (*Server).acknowledge},
	{"POST", api + "answer", Answer, false, (*Server).answer},
	{"POST", api + "check", Answer, false, (*Server).check},

	{"GET", api + "setup", SetUp, false, (*Server).setup},
	{"POST", api + "setup", SetUp, false, (*Server).setUp},
	{"GET", api + "display-says", SetUp, false, (*Server).found},
	{"POST", api + "display-says", SetUp, false, (*Server).says},
	{"GET", api + "pairing", SetUp, false, (*Server).showCode},
	{"GET", api + "pairing.png", SetUp, true, (*Server).showPicture},
	{"GET", api + "devices", SetUp, false, (*Server).listDevices},
	{"POST", api + "forget", SetUp, false, (*Server).forget},
}

// download is the path of what can be fetched, with its name in place of the
// last part.
const download = api + "downloads/{name}"

func routeTable() map[string]map[string]route {
	all := map[string]map[string]route{}
	for _, r := range routes {
		if all[r.path] == nil {
			all[r.path] = map[string]route{}
		}
		all[r.path][r.method] = r
	}
	return all
}

// find is what can be asked at a path, and the name in it.
func (s *Server) find(path string) (methods map[string]route, name string) {
	if name, ok := strings.CutPrefix(path, strings.TrimSuffix(download, "{name}")); ok && name != "" && !strings.Contains(name, "/") {
		return s.routes[download], name
	}
	if path == download {
		return nil, ""
	}
	return s.routes[path], ""
}
