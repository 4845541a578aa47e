package sheet

type workbook struct{}
