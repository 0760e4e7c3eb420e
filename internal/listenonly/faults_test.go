package listenonly

import (
	"fmt"
	"go/ast"
	"go/token"
	"strconv"
	"strings"
)

// home is the only directory that may open a CAN socket.
const home = "canbus"

// question is the one function that may send, and only to the kernel: it asks
// over AF_NETLINK whether a controller is in listen-only mode.
const question = "askLink"

// forbiddenImports send on CAN or set up its controllers. C would get around
// everything that is checked here.
var forbiddenImports = map[string]bool{
	"go.einride.tech/can/pkg/socketcan": true,
	"go.einride.tech/can/pkg/candevice": true,
	"go.einride.tech/can/pkg/canrunner": true,
	"C":                                 true,
}

// senders are programs that send on CAN.
var senders = []string{"cansend", "cangen", "canplayer", "cangw", "isotpsend", "cansequence", "bcmserver", "canlogserver"}

// socketMethods is all that the outside can do with a Socket.
var socketMethods = map[string]bool{"Read": true, "Health": true, "Close": true}

// faults lists what in a file could send on CAN. dir is its directory in the
// module.
func faults(set *token.FileSet, file *ast.File, dir string) []string {
	c := checker{set: set, dir: dir, imports: map[string]string{}}
	for _, spec := range file.Imports {
		c.checkImport(spec)
	}
	for _, group := range file.Comments {
		for _, comment := range group.List {
			if strings.HasPrefix(comment.Text, "//go:linkname") {
				c.report(comment.Pos(), "go:linkname reaches what is not exported")
			}
		}
	}
	for _, declaration := range file.Decls {
		c.function = ""
		var allowed ast.Node
		if f, ok := declaration.(*ast.FuncDecl); ok {
			c.checkMethod(f)
			if f.Recv == nil {
				c.function = f.Name.Name
			}
			if dir == home && c.function == question {
				allowed = c.netlinkSend(f)
			}
		}
		ast.Inspect(declaration, func(n ast.Node) bool {
			if n == nil {
				return false
			}
			if allowed != nil && n == allowed {
				return true
			}
			switch n := n.(type) {
			case *ast.SelectorExpr:
				if allowed != nil && n == allowed.(*ast.CallExpr).Fun {
					return true
				}
				c.checkSelector(n)
			case *ast.CallExpr:
				c.checkSystemCall(n)
			case *ast.BasicLit:
				c.checkText(n)
			case *ast.TypeSpec:
				c.checkSocketFields(n)
			}
			return true
		})
	}
	return c.found
}

type checker struct {
	set      *token.FileSet
	dir      string
	imports  map[string]string // name in the file to path
	function string
	found    []string
}

func (c *checker) report(at token.Pos, format string, args ...any) {
	c.found = append(c.found, c.set.Position(at).String()+": "+fmt.Sprintf(format, args...))
}

func (c *checker) checkImport(spec *ast.ImportSpec) {
	path, err := strconv.Unquote(spec.Path.Value)
	if err != nil {
		return
	}
	if forbiddenImports[path] {
		c.report(spec.Pos(), "imports %s", path)
	}
	name := path[strings.LastIndex(path, "/")+1:]
	if spec.Name != nil {
		name = spec.Name.Name
	}
	if name == "." {
		c.report(spec.Pos(), "imports %s with a dot, which hides where names come from", path)
	}
	c.imports[name] = path
}

// selector is the package path and the name of an expression like unix.Write.
func (c *checker) selector(e ast.Expr) (path, name string) {
	s, ok := e.(*ast.SelectorExpr)
	if !ok {
		return "", ""
	}
	x, ok := s.X.(*ast.Ident)
	if !ok {
		return "", ""
	}
	return c.imports[x.Name], s.Sel.Name
}

func isSystem(path string) bool { return path == "golang.org/x/sys/unix" || path == "syscall" }

func (c *checker) checkSelector(s *ast.SelectorExpr) {
	path, name := c.selector(s)
	short := path[strings.LastIndex(path, "/")+1:]
	switch {
	case isSystem(path) && c.dir == home && sends(name),
		isSystem(path) && c.dir != home && opens(name),
		c.dir == home && path == "os" && (name == "NewFile" || name == "OpenFile" || name == "Create" || name == "WriteFile"),
		c.dir == home && path == "net" && strings.HasPrefix(name, "File"),
		strings.HasSuffix(path, "/pcapgo") && strings.Contains(name, "EthernetHandle"):
		c.report(s.Pos(), "%s.%s", short, name)
	}
}

// sends tells whether a name of package unix can send on a descriptor, or
// pass one on to what might.
func sends(name string) bool {
	for _, start := range []string{"Send", "Write", "Pwrite", "Splice", "Tee", "Vmsplice", "CopyFileRange", "Dup", "UnixRights",
		"IoSubmit", "IoUring", "PtraceP", "ForkExec", "StartProcess", "Exec", "PidfdGetfd", "ProcessVMWritev", "Mmap"} {
		if strings.HasPrefix(name, start) && !strings.HasPrefix(name, "Ioctl") {
			return true
		}
	}
	return strings.HasPrefix(name, "SYS_") && name != "SYS_RECVMMSG" ||
		strings.HasPrefix(name, "Ioctl") && name != "IoctlIfreq" ||
		strings.HasPrefix(name, "SIOCS") || name == "FcntlInt" || name == "BIND"
}

// opens tells whether a name of package unix could make a CAN socket.
func opens(name string) bool {
	return name == "Socket" || name == "Socketpair" || strings.Contains(name, "SockaddrCAN") ||
		strings.HasPrefix(name, "AF_CAN") || strings.HasPrefix(name, "PF_CAN") || strings.HasPrefix(name, "CAN_") ||
		strings.HasPrefix(name, "Syscall") || strings.HasPrefix(name, "RawSyscall")
}

// checkSystemCall holds raw system calls in canbus to the one that receives.
func (c *checker) checkSystemCall(call *ast.CallExpr) {
	path, name := c.selector(call.Fun)
	if !isSystem(path) || !strings.Contains(name, "Syscall") || c.dir != home {
		return
	}
	if len(call.Args) > 0 {
		if path, name := c.selector(call.Args[0]); isSystem(path) && name == "SYS_RECVMMSG" {
			return
		}
	}
	c.report(call.Pos(), "a system call other than SYS_RECVMMSG")
}

func (c *checker) checkText(text *ast.BasicLit) {
	if text.Kind != token.STRING {
		return
	}
	value, err := strconv.Unquote(text.Value)
	if err != nil {
		return
	}
	for _, program := range senders {
		if value == program || strings.HasSuffix(value, "/"+program) || strings.HasPrefix(value, program+" ") {
			c.report(text.Pos(), "%s names a program that sends", text.Value)
		}
	}
}

// checkMethod: the outside can only read from a Socket.
func (c *checker) checkMethod(f *ast.FuncDecl) {
	if c.dir != home || f.Recv == nil || !f.Name.IsExported() || len(f.Recv.List) == 0 {
		return
	}
	receiver := f.Recv.List[0].Type
	if star, ok := receiver.(*ast.StarExpr); ok {
		receiver = star.X
	}
	if name, ok := receiver.(*ast.Ident); ok && name.Name == "Socket" && !socketMethods[f.Name.Name] {
		c.report(f.Pos(), "exported method Socket.%s: only Read, Health and Close are wanted", f.Name.Name)
	}
}

// checkSocketFields: the outside gets at nothing inside a Socket.
func (c *checker) checkSocketFields(spec *ast.TypeSpec) {
	s, ok := spec.Type.(*ast.StructType)
	if c.dir != home || spec.Name.Name != "Socket" || !ok {
		return
	}
	for _, field := range s.Fields.List {
		exported := len(field.Names) == 0 // embedded: its methods come along
		for _, name := range field.Names {
			exported = exported || name.IsExported()
		}
		if exported {
			c.report(field.Pos(), "exported field of Socket")
		}
	}
}

// netlinkSend finds the one send of the question, if it goes to the kernel:
//
//	kernel, err := unix.Socket(unix.AF_NETLINK, ...)
//	unix.Sendto(kernel, ..., &unix.SockaddrNetlink{...})
//
// kernel must be set once and in no other way. Nil: it does not.
func (c *checker) netlinkSend(f *ast.FuncDecl) ast.Node {
	descriptor := ""
	set := 0
	var sends []*ast.CallExpr
	ast.Inspect(f.Body, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.AssignStmt:
			if call, ok := onlyCall(n.Rhs); ok && c.is(call.Fun, "Socket") && len(call.Args) == 3 && c.is(call.Args[0], "AF_NETLINK") {
				if name, ok := n.Lhs[0].(*ast.Ident); ok && n.Tok == token.DEFINE {
					descriptor = name.Name
				}
			}
		case *ast.CallExpr:
			if c.is(n.Fun, "Sendto") {
				sends = append(sends, n)
			}
		}
		return true
	})
	ast.Inspect(f, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.AssignStmt:
			for _, left := range n.Lhs {
				if name, ok := left.(*ast.Ident); ok && name.Name == descriptor {
					set++
				}
			}
		case *ast.UnaryExpr:
			if name, ok := n.X.(*ast.Ident); ok && n.Op == token.AND && name.Name == descriptor {
				set++
			}
		}
		return true
	})
	if descriptor == "" || set != 1 || len(sends) != 1 || len(sends[0].Args) != 4 {
		return nil
	}
	name, ok := sends[0].Args[0].(*ast.Ident)
	if !ok || name.Name != descriptor {
		return nil
	}
	address, ok := sends[0].Args[3].(*ast.UnaryExpr)
	if !ok {
		return nil
	}
	literal, ok := address.X.(*ast.CompositeLit)
	if !ok || !c.is(literal.Type, "SockaddrNetlink") {
		return nil
	}
	return sends[0]
}

func onlyCall(list []ast.Expr) (*ast.CallExpr, bool) {
	if len(list) != 1 {
		return nil, false
	}
	call, ok := list[0].(*ast.CallExpr)
	return call, ok
}

func (c *checker) is(e ast.Expr, want string) bool {
	path, name := c.selector(e)
	return isSystem(path) && name == want
}
