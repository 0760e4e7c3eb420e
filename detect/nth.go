package detect

// nth puts the value that would stand at k, were the list sorted, at k, what is
// less before it, and returns it. It takes time in proportion to the list (Hoare,
// Algorithm 65: Find, Communications of the ACM 4, 1961), where sorting for a
// median takes several times that. Values are not NaN.
func nth(list []float64, k int) float64 {
	low, high := 0, len(list)-1
	for low < high {
		// The middle one of three keeps a sorted list from being the worst case.
		middle := low + (high-low)/2
		if list[middle] < list[low] {
			list[middle], list[low] = list[low], list[middle]
		}
		if list[high] < list[low] {
			list[high], list[low] = list[low], list[high]
		}
		if list[high] < list[middle] {
			list[high], list[middle] = list[middle], list[high]
		}
		pivot := list[middle]
		i, j := low, high
		for i <= j {
			for list[i] < pivot {
				i++
			}
			for pivot < list[j] {
				j--
			}
			if i <= j {
				list[i], list[j] = list[j], list[i]
				i++
				j--
			}
		}
		switch {
		case k <= j:
			high = j
		case k >= i:
			low = i
		default:
			return list[k]
		}
	}
	return list[k]
}
