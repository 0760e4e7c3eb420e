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
	do   func(s *Server, w http.ResponseWriter, r *http.Request, who *device)
}

const api = "/api/v1/"

// routes are all there are beside the files of the page. What a table does not
// list cannot be asked.
var routes = []route{
	{"GET", api + "healthz", NoRole, (*Server).healthz},
	{"POST", api + "pair", NoRole, (*Server).pair},

	{"GET", api + "me", Look, (*Server).me},
	{"GET", api + "stream", Look, (*Server).stream},
	{"GET", api + "history", Look, (*Server).history},
	{"GET", api + "day", Look, (*Server).day},
	{"GET", api + "downloads", Look, (*Server).downloads},
	{"GET", download, Look, (*Server).download},

	{"POST", api + "acknowledge", Answer, (*Server).acknowledge},
	{"POST", api + "answer", Answer, (*Server).answer},
	{"POST", api + "check", Answer, (*Server).check},

	{"GET", api + "setup", SetUp, (*Server).setup},
	{"POST", api + "setup", SetUp, (*Server).setUp},
	{"GET", api + "display-says", SetUp, (*Server).found},
	{"POST", api + "display-says", SetUp, (*Server).says},
	{"GET", api + "pairing", SetUp, (*Server).showCode},
	{"GET", api + "pairing.png", SetUp, (*Server).showPicture},
	{"GET", api + "devices", SetUp, (*Server).listDevices},
	{"POST", api + "forget", SetUp, (*Server).forget},
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
