' Excel, VBA: send this workbook to platerota and open the plan that comes back.
' Put this into a module of the workbook and run PlanWeek. Read, not run here: no Excel was at hand.
Option Explicit

Private Const SERVICE As String = "http://127.0.0.1:8080"
Private Const KEY As String = "" ' the key of the service, where it asks for one
Private Const MILLISECONDS As Long = 120000 ' to wait for the answer
Private Const XLSX As String = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
Private Const XLSM As String = "application/vnd.ms-excel.sheet.macroEnabled.12"

Public Sub PlanWeek()
    Dim stem As String, sent As String, came As String
    Dim call_ As Object
    ' Names that no earlier run has: one of its files may still be open.
    stem = Environ$("TEMP") & "\platerota-" & Format$(Now, "yyyymmdd-hhnnss")
    sent = stem & "-week" & Extension(ThisWorkbook.Name)
    came = stem & "-plan.xlsx"
    ThisWorkbook.SaveCopyAs sent
    Set call_ = CreateObject("WinHttp.WinHttpRequest.5.1")
    call_.SetTimeouts 5000, 5000, MILLISECONDS, MILLISECONDS
    call_.Open "POST", SERVICE & "/v1/plans", False
    call_.SetRequestHeader "Content-Type", IIf(Extension(sent) = ".xlsm", XLSM, XLSX)
    call_.SetRequestHeader "Accept", XLSX
    If KEY <> "" Then call_.SetRequestHeader "X-API-Key", KEY
    call_.Send BytesOf(sent)
    Kill sent
    If call_.Status <> 200 Then
        MsgBox call_.ResponseText, vbExclamation, "platerota"
        Exit Sub
    End If
    SaveBytes call_.ResponseBody, came
    ' The first sheet is Plan; or Problems, with the cells in question marked in the sheets behind it.
    Workbooks.Open came
End Sub

Private Function Extension(path As String) As String
    Extension = LCase$(Mid$(path, InStrRev(path, ".")))
End Function

Private Function BytesOf(path As String) As Variant
    Dim stream As Object
    Set stream = CreateObject("ADODB.Stream")
    stream.Type = 1
    stream.Open
    stream.LoadFromFile path
    BytesOf = stream.Read
    stream.Close
End Function

Private Sub SaveBytes(content As Variant, path As String)
    Dim stream As Object
    Set stream = CreateObject("ADODB.Stream")
    stream.Type = 1
    stream.Open
    stream.Write content
    stream.SaveToFile path, 2
    stream.Close
End Sub
